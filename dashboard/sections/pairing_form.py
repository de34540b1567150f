"""What a person says of a message: which value, quantity and unit, where it belongs, which time to trust."""

from __future__ import annotations

import re
from datetime import datetime
from typing import Any, Final

import streamlit as st

from baulk.dashboard import words
from baulk.dashboard.queries import pairing_data, shop_facts
from baulk.ingest.pairing import spots
from baulk.ingest.pairing.mapping import Trial
from baulk.ingest.pairing.spots import Kind, Spot
from baulk.ingest.store import mappings
from baulk.ingest.wire import units as wire_units
from baulk.ingest.wire import unwrap
from baulk.ingest.wire.byte_layout import KINDS
from baulk.ingest.wire.message import RawMessage
from baulk.ingest.wire.source import Source
from baulk.models.formatting import printable
from baulk.models.quantity import AT_DEPTH, SPECS, Owner, Quantity
from baulk.models.reading import MEASURED_ALONG
from baulk.models.section import Face
from baulk.models.text import events as event_text
from baulk.models.text import series as series_text
from baulk.models.units import LengthUnit, default_length_unit, length_mm

_TIMBER: Final = "A timber"
_AIR: Final = "Air of a place"
_MOVES: Final = "A sensor that moves"
_LEVEL: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")
_MID_FACE: Final = "mid-face"
_SHOWN: Final = 160
_DEEPER: Final = "&emsp;"  # a space that neither Markdown nor HTML takes away
KEYS: Final = "pair-said-"  # begins the key of every field of this form


def mapping(
    raw: RawMessage, tag: str | None, facts: shop_facts.ShopFacts, now: datetime
) -> dict[str, Any] | None:
    """Ask for a mapping of a message; return it once enough is said.

    Parameters
    ----------
    raw : RawMessage
        The newest message of its topic.
    tag : str or None
        The timber that the sensor will be on, if that is known.
    facts : ShopFacts
        The reader's units.
    now : datetime
        Now.
    """
    found = spots.spots(raw.payload, now)
    tree = spots.tree(found)
    chosen = st.radio(
        "Which value is it?",
        range(len(found)),
        None if len(found) > 1 else 0,
        format_func=lambda index: _branch(tree[index], found[index].shown),
        key="pair-said-spot",
    )
    if chosen is None:
        return None
    spot = found[chosen]
    body: dict[str, Any] = {"topic": raw.topic, **spot.finds}
    if spot.kind is Kind.BYTES:
        body["bytes"] = _layout(spot)
    left, right = st.columns(2)
    quantity = left.selectbox(
        "What does it measure?", list(Quantity), None, format_func=_titled, key="pair-said-quantity",
        placeholder="Choose",
    )  # fmt: skip
    if quantity is None:
        return None
    unit = right.selectbox(
        "In which unit?",
        wire_units.known(quantity),
        None,
        key=f"pair-said-unit-{quantity.value}",
        placeholder="Choose",
    )
    where = _where(raw, quantity, tag, facts)
    body |= _time(spot, found)
    body |= _number(spot, quantity, unit)
    if unit is None or where is None:
        return None
    return {**body, **where, "quantity": quantity.value, "unit": unit}


def _branch(lines: list[tuple[int, str]], shown: str) -> str:
    """Return the branches that begin before a value and the value itself, each as deep as it stands."""
    *above, (deep, name) = [(deep, words.md(name)) for deep, name in lines]
    return "  \n".join(
        [
            *(f"{_DEEPER * each}{branch}" for each, branch in above),
            f"{_DEEPER * deep}{name}: {words.md(shown)}",
        ]
    )


def forget() -> None:
    """Let nothing that was said of one sensor stand for the next."""
    for key in [str(one) for one in st.session_state if str(one).startswith(KEYS)]:
        del st.session_state[key]


def checked(body: dict[str, Any]) -> Source:
    """Check what was said; a mistake is a sentence."""
    return mappings.read(body)


def _titled(one: Quantity) -> str:
    return capital(SPECS[one].title)


def capital(words_: str) -> str:
    """Return words with a capital."""
    return words_[:1].upper() + words_[1:]


def _layout(spot: Spot) -> dict[str, Any]:
    """Ask where in the bytes the number stands."""
    st.code(" ".join(f"{index}:{byte:02x}" for index, byte in enumerate(spot.payload[:64])), language=None)
    left, middle, right = st.columns(3)
    at = left.number_input("First byte", 0, max(len(spot.payload) - 1, 0), key="pair-said-byte")
    kind = middle.selectbox(
        "Kind of number", KINDS, key="pair-said-kind",
        help="u has no sign, i has one, f is a decimal; be has the high byte first, le the low one.",
    )  # fmt: skip
    bit = right.selectbox("Only the bit", ["all", *range(8 * 4)], key="pair-said-bit")
    layout: dict[str, Any] = {"at": at, "number": kind}
    if bit != "all":
        layout["bit"] = bit
    return layout


def _where(
    raw: RawMessage, quantity: Quantity, tag: str | None, facts: shop_facts.ShopFacts
) -> dict[str, Any] | None:
    """Ask where it belongs."""
    owners = SPECS[quantity].owners
    choices = ([_TIMBER] if Owner.TIMBER in owners else []) + ([_AIR] if Owner.AIR in owners else [])
    choices += [_MOVES] if Owner.TIMBER in owners else []
    kind = st.segmented_control(
        "Where is it?", choices, default=choices[0], key=f"pair-said-where-{len(choices)}"
    )
    if kind == _AIR:
        place = st.selectbox("Place", shop_facts.places(), None, key="pair-said-place", placeholder="Choose")
        return None if place is None else {"place": place}
    if kind == _MOVES:
        level = next((one for one in reversed(raw.topic.split("/")) if _LEVEL.fullmatch(one)), "")
        name = st.text_input("Name of the sensor", level, key="pair-said-sensor").strip()
        st.caption("Say on the timber's page which timber it is on; its readings wait until then.")
        return {"sensor": name} if name else None
    return _on_timber(quantity, tag, facts) if kind == _TIMBER else None


def _on_timber(quantity: Quantity, tag: str | None, facts: shop_facts.ShopFacts) -> dict[str, Any] | None:
    """Ask on which timber it is, and of pins where."""
    tags = shop_facts.tags()
    at = None if tag is None else tags.index(tag)
    chosen = st.selectbox("Timber", tags, at, key="pair-said-tag", placeholder="Choose")
    if chosen is None:
        return None
    body: dict[str, Any] = {"tag": chosen}
    bare = default_length_unit(facts.system)
    if quantity in MEASURED_ALONG:
        return body | _gauge(quantity, bare)
    if quantity not in AT_DEPTH:
        return body
    left, middle, right = st.columns(3)
    depth = left.text_input("Depth of the pin tips", key="pair-said-depth", placeholder=f"in {bare}").strip()
    face = middle.selectbox("Face", ["any", *(each.value for each in Face)], key="pair-said-face")
    end = right.text_input("From an end", key="pair-said-end", placeholder="not said").strip()
    if not depth:
        return None
    body["depth_mm"] = length_mm(depth, bare=bare)
    if face != "any":
        body["face"] = face
    if end:
        body["from_end_mm"] = length_mm(end, bare=bare)
    return body


def _gauge(quantity: Quantity, bare: LengthUnit) -> dict[str, Any]:
    """Ask where a width or a depth is measured, so that several gauges of one timber are told apart."""
    left, right = st.columns(2)
    along = [_MID_FACE, *(one.value for one in MEASURED_ALONG[quantity])]
    face = left.selectbox("Along face", along, key="pair-said-along")
    end = right.text_input("From an end", key="pair-said-gauge-end", placeholder="not said").strip()
    return {
        **({} if face == _MID_FACE else {"face": face}),
        **({"from_end_mm": length_mm(end, bare=bare)} if end else {}),
    }


def _time(spot: Spot, found: list[Spot]) -> dict[str, Any]:
    """Ask which time to trust."""
    inside = tuple(spot.finds.get("inside", ()))
    choices: list[tuple[Spot, str] | None] = [None]
    for one in found:
        mine = tuple(one.finds.get("inside", ()))
        outermost = not mine or mine == inside[:1] == (unwrap.CBOR,)
        if one is not spot and (mine == inside or outermost):
            choices += [(one, form) for form in one.times]
    body: dict[str, Any] = {}
    if len(choices) > 1:
        chosen = st.selectbox(
            "Which time counts?",
            choices,
            format_func=lambda one: (
                "When it arrives" if one is None else f"{one[0].label}: {one[0].shown} ({one[1]})"
            ),
            key="pair-said-time",
        )
        if chosen is not None:
            one, form = chosen
            same = tuple(one.finds.get("inside", ())) == inside and spot.finds.get("format") == "json"
            body = {"time" if same else "outer_time": one.finds["value"], "time_as": form}
            if form == "iso" and not re.search(r"(Z|[+-]\d\d:?\d\d)$", one.shown):
                zone = st.text_input(
                    "Zone of that time",
                    pairing_data.zone_name() or "",
                    key="pair-said-zone",
                    placeholder="Europe/Lisbon",
                ).strip()
                body |= {"time_zone": zone} if zone else {}
    if spot.kind is Kind.LIST:
        step = st.number_input(
            "Seconds between two values of the list", 1, 10_000_000, 600, key="pair-said-step"
        )
        newest = st.toggle("The newest is the first of them", key="pair-said-newest")
        body["apart_s"] = -step if newest else step
    return body


def _number(spot: Spot, quantity: Quantity, unit: str | None) -> dict[str, Any]:
    """Ask how the value becomes a number."""
    body: dict[str, Any] = {}
    full = 1 if unit == "ratio" else 100
    if quantity is Quantity.DOOR and spot.kind in {Kind.YES_NO, Kind.TEXT}:
        given = ("true", "false") if spot.kind is Kind.YES_NO else (spot.shown, "")
        left, right = st.columns(2)
        opened = left.text_input("It says when open", given[0], key=f"pair-said-open-{spot.label}").strip()
        closed = right.text_input(
            "It says when closed", given[1], key=f"pair-said-closed-{spot.label}"
        ).strip()
        return {"words": {word: value for word, value in ((opened, full), (closed, 0)) if word}}
    if spot.kind is Kind.TEXT:
        st.caption("This is a text: only a number in it can be read, or a word that ends a meter's scale.")
    with st.popover("Scaled, or a text with a unit"):
        scale = st.number_input(
            "Multiply by", value=1.0, format="%g", key=f"pair-said-scale-{spot.label}", help="0.1 for tenths"
        )
        add = st.number_input("Then add", value=0.0, format="%g", key=f"pair-said-add-{spot.label}")
        comma = st.toggle(
            "Decimal comma",
            "," in spot.shown and spot.kind is Kind.NUMBER,
            key=f"pair-said-comma-{spot.label}",
        )
        behind = re.sub(r"^[\s\d.,+-]*", "", spot.shown) if spot.kind is Kind.NUMBER else ""
        ends_in = st.text_input(
            "Stands behind the number", behind.strip(), key=f"pair-said-behind-{spot.label}"
        ).strip()
    if scale not in {0, 1}:
        body["scale"] = scale
    if add:
        body["add"] = add
    if comma:
        body["decimal"] = "comma"
    if ends_in:
        body["ends_in"] = ends_in
    return body


# --- how it is shown


def shown(payload: bytes) -> str:
    """Return the beginning of a payload as a person can read it."""
    try:
        said = payload.decode()
    except UnicodeDecodeError:
        said = payload.hex(" ")
    return printable(said if len(said) <= _SHOWN else said[: _SHOWN - 1] + "…")


def read_as(one: Trial, facts: shop_facts.ShopFacts) -> str:
    """Return what a message was read as, in the reader's units, or why it can't be."""
    said = [
        f"{series_text.called(str(each.series), facts.system)}: "
        f"{event_text.value(each, facts.system, facts.temperature)}, {words.clock(each.taken_utc)}"
        for each in one.readings
    ]
    if one.problem:
        said.append(capital(one.problem))
    return "; ".join(said) or "Nothing in it"


def reads(source: Source) -> str:
    """Return what a mapping reads."""
    if source.quantity is None:
        return source.format
    return f"{SPECS[source.quantity].title} in {source.unit}"


def belongs(source: Source) -> str:
    """Return what a mapping's readings belong to."""
    if source.place is not None:
        return f"air of {source.place}"
    return source.tag if source.tag is not None else f"sensor {source.sensor}"
