"""What can be recorded of a timber: for each kind of event its word, its fields, and a caution.

A kind draws its fields first and reads them when the form is sent: a slip in one field hides no other.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Final

import streamlit as st

from baulk.dashboard import typed
from baulk.dashboard.queries import shop_facts
from baulk.dashboard.sections.entry import Entry
from baulk.models import formatting, units, wane
from baulk.models.timber import COATS, CORNERS, DEFECTS, DETAILS, OPENINGS, EventKind, Value
from baulk.models.units import System

Details = dict[str, Value]
Read = Callable[[], Details]
MOST_BUTTONS: Final = 8  # places; more of them are a list


@dataclass(frozen=True, slots=True, kw_only=True)
class Form:
    """What the fields of a kind are drawn with."""

    found: shop_facts.TimberFacts
    system: System
    box: Entry

    def text(self, label: str, name: str, inch: str, metric: str = "") -> str:
        """Draw a field for a text, with an example in the reader's units."""
        like = inch if self.system == "inch" or not metric else metric
        return str(st.text_input(label, key=self.box.key(name), placeholder=like)).strip()

    def mm(self, text: str, *, signed: bool = False) -> float:
        """Read a length."""
        return units.length_mm(text, bare=units.default_length_unit(self.system), signed=signed)

    def kg(self, text: str) -> float:
        """Read a weight."""
        return units.mass_kg(text, bare=units.default_mass_unit(self.system))

    def texts(self, fields: Mapping[str, tuple[str, str]]) -> dict[str, str]:
        """Draw fields two beside each other; return what stands in each."""
        held: dict[str, str] = {}
        columns = st.columns(2, wrap=False)
        for i, (name, (label, like)) in enumerate(fields.items()):
            if i and i % 2 == 0:
                columns = st.columns(2, wrap=False)
            with columns[i % 2]:
                held[name] = self.text(label, name, like)
        return held

    def lengths(self, given: Mapping[str, str]) -> Details:
        """Read the lengths that were filled in."""
        return {name: self.mm(text, signed=True) for name, text in given.items() if text}

    def weights(self) -> Callable[[], Details]:
        """Draw the fields of the weights before and after."""
        like = "412 lb" if self.system == "inch" else "187 kg"
        given = self.texts(
            {"weight_before_kg": ("Weight before, if weighed", like), "weight_after_kg": ("and after", like)}
        )
        return lambda: {name: self.kg(text) for name, text in given.items() if text}

    def faces(self, label: str = "Faces") -> str:
        """Draw the choice of faces; return their letters."""
        chosen = st.pills(label, list("abcd"), selection_mode="multi", key=self.box.key("faces"))
        return "".join(sorted(chosen or ()))


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """How one kind of event is offered: its word, its fields, and a caution where one belongs."""

    word: str
    fields: Callable[[Form], Read]
    caution: str = ""


def _nothing(form: Form) -> Read:  # noqa: ARG001
    return dict


def _moved(form: Form) -> Read:
    here = form.found.timber.place
    known = [place for place in shop_facts.places() if place != here]
    chosen = None
    if len(known) > MOST_BUTTONS:
        chosen = st.selectbox("To", known, index=None, key=form.box.key("to"))
    elif known:
        chosen = st.pills("To", known, key=form.box.key("to"), wrap=True)
    other = form.text("Or another place" if known else "To", "to_other", "loft")
    return lambda: {"from": here, "to": other or str(chosen or "")}


def _attached(form: Form) -> Read:
    sensor = form.text("Sensor", "sensor", "S7")
    st.page_link(
        "views/health.py", label="A new one: listen for it", query_params={"attach": form.found.timber.tag}
    )
    one, two = st.columns(2, wrap=False)
    with one:
        deep = form.text("Depth of its pin tips", "pin", "1 3/4 in", "45 mm")
    face = two.selectbox("Face", ["any", *"abcd"], key=form.box.key("pin_face"))

    def read() -> Details:
        held: Details = {"sensor": sensor} if sensor else {}
        if deep:
            held["depth_mm"] = form.mm(deep)
        return held if face == "any" else {**held, "face": face}

    return read


def _turned(form: Form) -> Read:
    up = st.pills("Face that is up now", list("abcd"), key=form.box.key("up"))
    return lambda: {"up": up} if up else {}


def _stickered(form: Form) -> Read:
    faces = form.faces("Faces that lie on bearers; none: set free")
    return lambda: {"faces": faces}


def _coated(form: Form) -> Read:
    faces = form.faces("Faces; none: taken off")
    coat = st.selectbox(
        "With", COATS, key=form.box.key("coat"),
        format_func={"coat": "paint or sealer", "wax": "wax", "wrap": "film"}.__getitem__,
    )  # fmt: skip
    return lambda: {"faces": faces, "coat": coat}


def _cut(form: Form) -> Read:
    like = formatting.show_along(form.found.timber.length_mm, form.system)
    long = form.text("Length that is left", "length", like)
    weights = form.weights()
    return lambda: {"length_mm": typed.along_mm(long, form.system), **weights()} if long else {}


def _planed(form: Form) -> Read:
    now = form.found.timber.section
    like = units.show_size(now.width_mm, now.depth_mm, form.system)
    size = form.text("Section that is left, across x deep", "size", like)
    weights = form.weights()

    def read() -> Details:
        if not size:
            return {}
        width, depth = units.size_mm(size, bare=units.default_length_unit(form.system))
        return {"width_mm": width, "depth_mm": depth, **weights()}

    return read


def _kerfed(form: Form) -> Read:
    face = st.pills("Sawn into face", list("abcd"), default="a", key=form.box.key("kerf_face"))
    deep, wide = ("3 in", "3/16 in") if form.system == "inch" else ("75 mm", "5 mm")
    given = form.texts({"depth_mm": ("So deep", deep), "width_mm": ("So wide", wide)})
    return lambda: {"face": str(face or "a"), **form.lengths(given)} if given["depth_mm"] else {}


def _oven_dried(form: Form) -> Read:
    end = "20 in" if form.system == "inch" else "500 mm"
    given = form.texts(
        {"mc": ("MC of the section, % of its oven-dry mass", "62"), "end": ("From an end", end)}
    )

    def read() -> Details:
        if not given["mc"]:
            return {}
        held: Details = {"mc_pct": shop_facts.percent(given["mc"])}
        return {**held, "from_end_mm": form.mm(given["end"])} if given["end"] else held

    return read


def _tared(form: Form) -> Read:
    given = form.text("Chains, slings and pallet weigh", "tare", "13 lb", "6 kg")
    return lambda: {"tare_kg": form.kg(given)} if given else {}


def _from_end(form: Form) -> Callable[[], Details]:
    """Draw how far from an end it was measured."""
    given = form.text("So far from an end", "from_end", "4 ft", "1.2 m")
    return lambda: {"from_end_mm": typed.along_mm(given, form.system)} if given else {}


def _measured(form: Form) -> Read:
    small, large = ("1/4 in", "7 13/16 in") if form.system == "inch" else ("6 mm", "198 mm")
    st.caption("Fill in what you measured; leave the rest empty.")
    sizes = form.texts({"width_mm": ("Width today", large), "depth_mm": ("Depth today", large)})
    along = st.selectbox(
        "Measured at", ("", *"abcd"), key=form.box.key("at_face"),
        format_func=lambda face: f"along face {face}" if face else "mid-face, between the middles",
    )  # fmt: skip
    from_end = _from_end(form)
    rest = form.texts(
        {
            "bow_mm": ("Bow, along its depth", small),
            "crook_mm": ("Crook, along its width", small),
            "twist_mm": ("Twist: fourth corner", small),
            "cup_mm": ("Cup across a face", small),
            "out_of_square_mm": ("Out of square", small),
            "check_mm": ("Deepest check", small),
            "wane_mm": ("Widest wane, at any corner", small),
        }
    )
    like = "1 1/2 x 1 in" if form.system == "inch" else "38 x 25 mm"
    corners = form.texts({each: (f"Wane at {each}, across x down", like) for each in CORNERS})

    def read() -> Details:
        held = form.lengths(sizes)
        if held:
            held |= {**({"face": along} if along else {}), **from_end()}
        named = [f"{each} {size}" for each, size in corners.items() if size]
        return held | form.lengths(rest) | wane.detail_of(named, units.default_length_unit(form.system))

    return read


def _checked(form: Form) -> Read:
    long, thin, deep = (
        ("24 in", "1/16 in", "2 in") if form.system == "inch" else ("600 mm", "1.5 mm", "50 mm")
    )
    left, right = st.columns(2, wrap=False)
    kind = left.selectbox("It is a", OPENINGS, key=form.box.key("opening"))
    face = right.selectbox(
        "In face", (*"abcd", ""), key=form.box.key("check_face"), format_func=lambda f: f or "an end"
    )
    sizes = form.texts(
        {
            "width_mm": ("So wide", thin),
            "depth_mm": ("So deep", deep),
            "length_mm": ("So long", long),
            "edge": ("From face d, or on b and d from face a", deep),
        }
    )
    name = form.text("Which, where a face has several", "check_name", "north")
    from_end = _from_end(form)
    since = st.date_input("There since, if known", None, key=form.box.key("since"))

    def read() -> Details:
        held: Details = {} if kind == OPENINGS[0] else {"opening": kind}
        held |= {"face": face} if face else {}
        held |= {"name": name} if name else {}
        edge = sizes["edge"] if face else ""
        along = "from_d_mm" if face in {"a", "c"} else "from_a_mm"
        held |= form.lengths({**sizes, along: edge, "edge": ""}) | from_end()
        return held | ({"since": since.isoformat()} if isinstance(since, date) else {})

    return read


def _defect(form: Form) -> Read:
    small, large = ("1 in", "3 in") if form.system == "inch" else ("25 mm", "75 mm")
    what = st.selectbox("It is a", DEFECTS, key=form.box.key("defect"))
    given = form.texts(
        {
            "from_d_mm": ("From face d to its near edge", large),
            "from_a_mm": ("From face a to its near edge", large),
            "width_mm": ("So wide, along face a", small),
            "depth_mm": ("So deep, along face d", small),
        }
    )
    name = form.text("Which, where there are several", "defect_name", "upper")

    def read() -> Details:
        held = form.lengths(given)
        return {"what": what, **held, **({"name": name} if name else {})} if held else {}

    return read


SOURCE: Final = {
    "supplier": ("Supplier", "the mill"),
    "log": ("Log", "12"),
    "lot": ("Lot", "spring 2026"),
    "felled": ("Felled on", "2026-01-14"),
    "grade": ("Grade", "as the mill says"),
    "cost": ("Cost", "180"),
    "part": ("Meant for", "stem"),
    "vessel": ("Vessel or frame", "the ferry"),
}


def sourced(form: Form) -> Read:
    """Draw where a timber comes from and what it is for."""
    given = form.texts(SOURCE)
    return lambda: {name: word for name, word in given.items() if word}


def _retired(form: Form) -> Read:
    why = form.text("Why", "reason", "built in as the port sill")
    return lambda: {"reason": why} if why else {}


def _detached(form: Form) -> Read:
    on = shop_facts.sensors_of(form.found.timber.tag)
    chosen = st.selectbox("Sensor", on, key=form.box.key("off")) if on else None
    if chosen is None:
        st.caption("No sensor is on it.")
    return lambda: {"sensor": chosen} if chosen else {}


KINDS: Final[Mapping[EventKind, Kind]] = {
    EventKind.MOVED: Kind(
        word="Moved",
        fields=_moved,
        caution="A green timber is heavy: a hoist or enough people, and nobody under it.",
    ),
    EventKind.CUT: Kind(word="Cut to length", fields=_cut),
    EventKind.PLANED: Kind(
        word="Planed or sawn",
        fields=_planed,
        caution="Extract the dust: oak dust harms nose and lungs.",
    ),
    EventKind.TURNED: Kind(word="Turned", fields=_turned, caution="Keep fingers clear when it rolls over."),
    EventKind.MEASURED: Kind(word="Measured", fields=_measured),
    EventKind.CHECKED: Kind(
        word="Check seen",
        fields=_checked,
        caution="A split or a deep shake can make it unfit to carry: ask whoever grades it.",
    ),
    EventKind.DEFECT: Kind(
        word="Knot, shake or rot in the section",
        fields=_defect,
        caution="Whether it may still carry people or load is for whoever grades it.",
    ),
    EventKind.END_SEALED: Kind(word="Ends sealed", fields=_nothing),
    EventKind.STICKERED: Kind(word="Laid on bearers", fields=_stickered),
    EventKind.COATED: Kind(
        word="Coated or wrapped",
        fields=_coated,
        caution="Under film a face stays damp: look for mould, and wear a mask if some has grown.",
    ),
    EventKind.KERFED: Kind(
        word="Relief kerf sawn",
        fields=_kerfed,
        caution="Wedge the kerf open as you saw: wood that closes on a blade throws it back.",
    ),
    EventKind.OVEN_DRIED: Kind(word="Section oven-dried", fields=_oven_dried),
    EventKind.TARED: Kind(word="Tare of the scale set", fields=_tared),
    EventKind.SENSOR_ATTACHED: Kind(word="Sensor attached", fields=_attached),
    EventKind.SENSOR_DETACHED: Kind(word="Sensor taken off", fields=_detached),
    EventKind.FITTED: Kind(
        word="Fitted in its place",
        fields=_nothing,
        caution="Whether a piece may carry people or load is for the local code and a licensed designer.",
    ),
    EventKind.PRIMED: Kind(
        word="Primed", fields=_nothing, caution="Preservatives and primers: gloves, eyes and fresh air."
    ),
    EventKind.BEDDED: Kind(word="Bedded", fields=_nothing),
    EventKind.LAUNCHED: Kind(word="Launched", fields=_nothing),
    EventKind.RETIRED: Kind(word="Retired: it leaves the yard", fields=_retired),
}
FIRST: Final = tuple(KINDS)[:6]  # on buttons; the others in a list

_NAMES: Final = {
    "to": "where it lies now",
    "up": "the face that is up now",
    "length_mm": "the length that is left",
    "width_mm": "the section that is left",
    "depth_mm": "how deep it is",
    "mc_pct": "the moisture content of the section",
    "tare_kg": "what chains, slings and pallet weigh",
    "sensor": "the sensor",
}


def missing(kind: EventKind, detail: Details) -> str:
    """Return in words what is still to be filled in; empty where nothing is."""
    for name in DETAILS[kind]:
        if name in _NAMES and detail.get(name) in {None, ""}:
            return _NAMES[name]
    if not detail and kind in {EventKind.MEASURED, EventKind.SOURCED}:
        return "at least one of them"
    return ""
