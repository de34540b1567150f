"""What was entered of a timber put right on its page, by the operations that the command uses."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any, Final

import streamlit as st

from baulk.dashboard import typed, words
from baulk.dashboard.queries import shop_facts
from baulk.dashboard.sections import entry, layout
from baulk.dashboard.server import preferences
from baulk.dashboard.server.shop_access import ask
from baulk.ingest import operations
from baulk.ingest.errors import Unlikely
from baulk.models import formatting, units
from baulk.models.errors import BaulkError
from baulk.models.text import events as event_text
from baulk.models.timber import Event, Timber
from baulk.models.units import System

_FIELDS: Final = {"tag": "tag", "place": "place", "species": "species", "use": "use_class"}
TAG_HELP: Final = "Labels and sensors with the former tag still find the timber."


def form(found: shop_facts.TimberFacts, facts: shop_facts.ShopFacts, done: Callable[[], None]) -> None:
    """Offer the fields of a timber as they stand; what is changed is a correction, from the start."""
    timber, system = found.timber, facts.system
    box = entry.Entry(f"edit-{found.entered_as}", cancels=done)
    with box.form():
        read = _fields(timber, system, box)
        note = st.text_input("Why", key=box.key("note"), placeholder="misread on arrival")
        pressed = box.buttons()
    if not pressed:
        return
    by, now = preferences.chosen().name, layout.now()
    try:
        changes = read()
        sure = box.is_sure(changes)

        def act() -> entry.Saving:
            made = ask(
                lambda s: operations.edit_timber(
                    s, timber.tag, now_utc=now, by=by, note=note.strip(), place_was_wrong=True, sure=sure,
                    new_place=sure, **changes,
                )
            )  # fmt: skip
            return told(timber.tag, made, facts)

        box.keep(act)
    except Unlikely as err:
        box.doubt(changes, layout.sentence(err), told=True)
    except BaulkError as err:
        box.refuse(layout.sentence(err), told=True)


def take_in(found: shop_facts.TimberFacts, done: Callable[[], None]) -> None:
    """Offer to take a retired timber back into the yard."""
    tag = found.timber.tag
    box = entry.Entry(f"return-{found.entered_as}", cancels=done, save="Return")
    with box.form():
        note = st.text_input("Note", key=box.key("note"), placeholder="not sold after all")
        pressed = box.buttons()
    if not pressed:
        return
    by, now = preferences.chosen().name, layout.now()
    try:

        def act() -> entry.Saving:
            made = ask(
                lambda s: operations.edit_timber(
                    s, tag, retired_utc=None, now_utc=now, by=by, note=note.strip()
                )
            )
            return f"{tag} is back in the yard.", lambda: back(made)

        box.keep(act)
    except BaulkError as err:
        box.refuse(layout.sentence(err), told=True)


def told(tag: str, made: Sequence[Event], facts: shop_facts.ShopFacts) -> entry.Saving:
    """Return what is told of a correction, and what takes it back."""
    if not made:
        return f"{tag} is so already; nothing was changed.", None
    changed = "; ".join(event_text.event(each, facts.system, zone=words.zone()) for each in made)
    return f"Saved for {made[0].tag}: {changed}.", lambda: back(made)


def back(made: Sequence[Event]) -> str:
    """Take corrections of a timber back, the last first, and return what was done."""
    by, now = preferences.chosen().name, layout.now()
    for each in reversed(made):
        number = each.number
        ask(lambda s, number=number: operations.undo(s, number, by=by, now_utc=now, sure=True))  # type: ignore[misc]
    was = next((str(each.detail["old"]) for each in made if each.detail["field"] == "tag"), made[0].tag)
    return f"Undone: {was} is as it was."


def _fields(timber: Timber, system: System, box: entry.Entry) -> Callable[[], dict[str, Any]]:
    """Draw the fields; a field left as it was shown changes nothing, however coarsely its number is shown."""
    green, want, woods = timber.section, timber.finished, shop_facts.woods()
    stands = {
        "tag": timber.tag,
        "size": units.show_size(green.width_mm, green.depth_mm, system),
        "finished": units.show_size(want.width_mm, want.depth_mm, system),
        "length": formatting.show_along(timber.length_mm, system),
        "pith_x": units.show_length(green.pith_x_mm, system),
        "pith_y": units.show_length(green.pith_y_mm, system),
        "place": timber.place,
        "species": timber.species,
        "use": timber.use_class,
        "sealed": str(timber.ends_sealed),
    }
    shown = {name: box.first(name, value) for name, value in stands.items()}

    def text(column: Any, label: str, name: str) -> str:  # noqa: ANN401 - a column or the page itself
        return str(column.text_input(label, shown[name], key=box.key(name))).strip()

    given = {"tag": text(st, "Tag", "tag")}
    st.caption(TAG_HELP)
    one, two = st.columns(2, wrap=False)
    given["size"] = text(one, "Green size", "size")
    given["finished"] = text(two, "Finished size", "finished")
    one, two = st.columns(2, wrap=False)
    given["length"] = text(one, "Length", "length")
    places = sorted({*shop_facts.places(), timber.place, shown["place"]})
    place = two.selectbox(
        "Place it came to",
        places,
        index=places.index(shown["place"]),
        key=box.key("place"),
        accept_new_options=True,
    )
    one, two = st.columns(2, wrap=False)
    given["pith_x"] = text(one, "Pith, right of centre", "pith_x")
    given["pith_y"] = text(two, "Pith, above centre", "pith_y")
    names = woods.species.names()
    known = names if shown["species"] in names else (*names, shown["species"])
    species = st.selectbox("Wood", known, index=list(known).index(shown["species"]), key=box.key("species"))
    uses = woods.use_classes
    known_uses = uses.names() if shown["use"] in uses.names() else (*uses.names(), shown["use"])
    use = st.selectbox(
        "It is for", known_uses, index=list(known_uses).index(shown["use"]), key=box.key("use"),
        format_func=lambda name: uses.get(name).title if name in uses.names() else name,
    )  # fmt: skip
    was_sealed = shown["sealed"] == str(True)
    sealed = st.checkbox("Ends sealed on arrival", was_sealed, key=box.key("sealed"))
    given |= {"place": str(place).strip(), "species": str(species), "use": str(use), "sealed": str(sealed)}

    def read() -> dict[str, Any]:
        fresh = {name: value for name, value in given.items() if value != shown[name]}
        named = {_FIELDS[name]: value for name, value in fresh.items() if name in _FIELDS}
        ends = {"ends_sealed": sealed} if "sealed" in fresh else {}
        return {**_sizes(timber, fresh, system), **named, **ends}

    return read


def _sizes(timber: Timber, fresh: dict[str, str], system: System) -> dict[str, Any]:
    """Read the sizes that were typed anew."""
    bare, section, want = units.default_length_unit(system), timber.section, timber.finished
    if "size" in fresh:
        width, depth = units.size_mm(fresh["size"], bare=bare)
        section = replace(section, width_mm=width, depth_mm=depth)
    if "pith_x" in fresh:
        section = replace(section, pith_x_mm=units.length_mm(fresh["pith_x"], bare=bare, signed=True))
    if "pith_y" in fresh:
        section = replace(section, pith_y_mm=units.length_mm(fresh["pith_y"], bare=bare, signed=True))
    if "finished" in fresh:
        width, depth = units.size_mm(fresh["finished"], bare=bare)
        want = replace(want, width_mm=width, depth_mm=depth)
    found: dict[str, Any] = {"section": section, "finished": want}
    return {**found, "length_mm": typed.along_mm(fresh["length"], system)} if "length" in fresh else found
