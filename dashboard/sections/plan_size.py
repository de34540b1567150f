"""The green size of a part: the answer and the section with its allowance first, then what was asked."""

from __future__ import annotations

from typing import Any, Final

import streamlit as st

from baulk.dashboard import words
from baulk.dashboard.charts import allowance_stack
from baulk.dashboard.printing import saw_drawing
from baulk.dashboard.queries import shop_facts
from baulk.dashboard.sections import (
    layout,
    plan_shared,
    table_files,
    which_wood,
)
from baulk.dashboard.sections.plan_shared import LONG, SHORT, mm, say, wish_of
from baulk.dashboard.server import shop_access
from baulk.ingest.evaluation import curves
from baulk.models import units
from baulk.models.allowance.parts import finished_length_mm
from baulk.models.formatting import show_allowance, show_along
from baulk.models.plan.sawing import allowance
from baulk.models.plan.sawing.order import Order, SizePlan
from baulk.models.text import sentences

HEARTS: Final = {"boxed": "boxed at the centre", "free": "outside the piece", "offset": "inside, off centre"}
SYSTEMS: Final[tuple[units.System, ...]] = ("inch", "metric")


def to_order(system: units.System) -> None:
    """Show the answer of a green size, and the sentence that asks for it."""
    _as_the_last_timber(system)
    answer = st.container()
    asked = _asked(system)
    if asked is None:
        st.caption("Type the finished size and length and choose the species.")
        return
    order, kind, use = asked
    made = allowance.size(
        order, shop_facts.woods().species.get(kind), shop_facts.woods().use_classes.get(use)
    )
    first, *rest = words.mds(sentences(made.lines(), system, zone=words.zone()))
    with answer:
        st.markdown(f"**{first}**")
        st.html(allowance_stack.drawing(made, system).html())
    for line in (words.md(allowance_stack.finding(made, system)), *rest):
        st.markdown(line)
    _files(made, system)
    plan_shared.told(made)


def _files(made: SizePlan, system: units.System) -> None:
    with st.expander("Each allowance", key="allowances"):
        layout.cards(
            ("allowance for", "width", "depth"),
            [
                (
                    f"{term.name} ({term.mark})",
                    show_allowance(term.width_mm, system),
                    show_allowance(term.depth_mm, system),
                )
                for term in made.terms
            ],
        )
        table_files.offer_table("allowance", lambda: table_files.rows(made.terms, system), key="terms")
    plan_shared.drawing_to_take(saw_drawing.of_size(made, system), "green-size")


def _as_the_last_timber(system: units.System) -> None:
    """Ask at first for what the timber that came last is for, so that there is an answer from the start."""
    timbers = shop_access.ask(lambda shop: shop.register.list())
    if not timbers:
        return
    last, state = max(timbers, key=lambda each: each.arrived_utc), st.session_state
    told = {
        each: {
            "plan_finished": units.show_size(last.finished.width_mm, last.finished.depth_mm, each),
            "plan_length": show_along(finished_length_mm(last.length_mm), each),
        }
        for each in SYSTEMS
    }
    for key, text in told[system].items():
        if key not in state or state[key] in [told[each][key] for each in SYSTEMS]:
            state[key] = text
    for key, value in (("plan_species", last.species), ("plan_use", last.use_class)):
        state.setdefault(key, value)


def _asked(system: units.System) -> tuple[Order, str, str] | None:
    """Ask for a size in one sentence; return the order, the wood and the use once enough of it is said."""
    inch, woods = system == "inch", shop_facts.woods()
    with plan_shared.sentence_of_inputs("size"):
        say("I need a piece of")
        finished = st.text_input(
            "Finished size", key="plan_finished", placeholder="6 x 6" if inch else "150 x 150", width=SHORT,
            label_visibility="collapsed",
        )  # fmt: skip
        say("finished,")
        length = st.text_input(
            "Finished length",
            key="plan_length",
            placeholder="10 ft" if inch else "3 m",
            width=SHORT,
            label_visibility="collapsed",
        )
        say("long, of")
        kind = which_wood.choose(
            "Species", woods.species, key="plan_species", placeholder="choose or type", width=LONG
        )
        say("for")
        use = st.selectbox(
            "Where it will live", woods.use_classes.names(), key="plan_use", width=LONG,
            format_func=lambda n: woods.use_classes.get(n).title.lower(), label_visibility="collapsed",
        )  # fmt: skip
        say("with the pith")
        heart = st.selectbox(
            "Pith",
            list(HEARTS),
            key="plan_heart",
            format_func=HEARTS.__getitem__,
            width=210,
            label_visibility="collapsed",
        )
        say("and the size held by")
        sure = plan_shared.sure_of("Pieces that hold the size", 99, key="plan_sure")
    with st.popover("The shop's own bow, saw cut, planing, wane"):
        four = st.columns(4)
        names = ("Bow over the length", "Saw cut", "Planed off each face", "Wane at a corner")
        bow, kerf, planing, wane = (
            mm(column.text_input(name, key=f"plan_{name.split(' ', maxsplit=1)[0].lower()}"), system)
            for column, name in zip(four, names, strict=True)
        )
    if not (finished.strip() and length.strip() and kind):
        return None
    more: dict[str, Any] = {"placement": heart, "confidence": sure, "bow_mm": bow, "crook_mm": bow}
    more |= {"kerf_mm": kerf} if kerf is not None else {}
    more |= {"planing_mm": planing} if planing is not None else {}
    more |= {"wane_mm": wane} if wane is not None else {}
    order = wish_of(finished, length, system, seen=shop_access.ask(curves.measured), **more)
    return order, kind, use
