"""The plan of the yard, drawn by dragging: places where they stand, and timbers from one to another."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

import streamlit as st

from baulk.dashboard.queries import shop_facts, yard_plan, yard_rows
from baulk.dashboard.sections import entry, layout, saved
from baulk.dashboard.server import preferences
from baulk.models.errors import BaulkError

HTML: Final = (
    '<div class="plan" role="group"></div><p class="told" role="status"></p><div class="tray"></div>'
)
_HERE: Final = Path(__file__)
_CSS: Final = _HERE.with_suffix(".css").read_text(encoding="utf-8")
_JS: Final = _HERE.with_suffix(".js").read_text(encoding="utf-8")


def show() -> None:
    """Show the plan; what was dragged is saved at once, with Undo."""
    facts = shop_facts.facts()
    boxes = yard_plan.drawn(yard_plan.places(), yard_rows.rows(layout.now()))
    st.html(
        '<p class="b-dim b-small">Drag a place by its name, its size by the corner, a timber to another '
        "place. With the keyboard: arrows move a place, Shift and arrows change its size; Space selects a "
        "timber, arrows choose its place, Enter puts it there; Escape leaves all as it was.</p>"
    )
    mount: Any = st.components.v2.component("baulk_yard_plan", html=HTML, css=_CSS, js=_JS)
    feet = facts.system == "inch"
    given = mount(
        key="yard-plan",
        data={"places": boxes, "per": 1 / 0.3048 if feet else 1.0, "unit": "ft" if feet else "m"},
        on_put_change=lambda: None,
        on_lay_change=lambda: None,
    )
    with layout.errors_as_sentences():
        if given.put:
            _put(given.put)
        if given.lay:
            _lay(given.lay)
    box = entry.Entry("yard-place", save="Add")
    with box.form():
        name = st.text_input("New place", placeholder="for instance rack 2", key=box.key("name"))
        pressed = box.buttons()
    if pressed and not name.strip():
        box.refuse("The new place needs a name.")
    elif pressed:
        try:
            box.keep(lambda: _added(name.strip()))
        except BaulkError as err:
            box.refuse(layout.sentence(err), told=True)


def _added(name: str) -> entry.Saving:
    yard_plan.add(name)
    return f"{name} is added.", None


def _put(given: dict[str, Any]) -> None:
    before, after = yard_plan.put(given)

    def undo() -> str:
        yard_plan.put_back(before)
        return f"{after.name} is where it was on the plan."

    saved.tell(f"{after.name} is saved on the plan.", undo)
    st.rerun()


def _lay(given: dict[str, Any]) -> None:
    tag, to, by = str(given["tag"]), str(given["to"]), preferences.chosen().name
    number = yard_plan.lay(tag, to, by=by, now=layout.now())

    def undo() -> str:
        yard_plan.undo(number, by=by, now=layout.now())
        return f"{tag} is where it was."

    saved.tell(f"{tag} is moved to {to}.", undo)
    st.rerun()
