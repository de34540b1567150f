"""What the details of an event may hold: faces by letter, depths inside the piece, weights that fall."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime, tzinfo
from pathlib import PurePosixPath
from typing import Final

from baulk.ingest.store.moments import to_us
from baulk.models.errors import OutOfRange
from baulk.models.openings import as_sawn
from baulk.models.plausible import LEAST_LEFT, MOST_GROWN
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import MEASURED_ALONG, Series, sensor_flag
from baulk.models.section import WIDEST_KERF_MM, Face
from baulk.models.timber import COATS, DEFECTS, OPENINGS, WANE, Event, EventKind, Timber, Value

_LETTERS: Final = "".join(face.value for face in Face)
# numbers that an event may carry: lowest, highest, unit; wide on purpose, our own
_NUMBERS: Final[Mapping[str, tuple[float, float, str]]] = {
    "length_mm": (1.0, 1e5, "mm"),
    "width_mm": (1.0, 1e4, "mm"),
    "depth_mm": (0.0, 1e4, "mm"),
    "from_end_mm": (0.0, 1e5, "mm"),
    "from_d_mm": (0.0, 1e4, "mm"),
    "from_a_mm": (0.0, 1e4, "mm"),
    "bow_mm": (0.0, 5e3, "mm"),
    "crook_mm": (0.0, 5e3, "mm"),
    "twist_mm": (0.0, 5e3, "mm"),
    "cup_mm": (0.0, 1e3, "mm"),
    "out_of_square_mm": (0.0, 1e3, "mm"),
    "check_mm": (0.0, 1e3, "mm"),
    "wane_mm": (0.0, 1e3, "mm"),
    **{name: (0.0, 1e3, "mm") for names in WANE.values() for name in names},
    "weight_before_kg": (0.001, 20_000.0, "kg"),
    "weight_after_kg": (0.001, 20_000.0, "kg"),
    "tare_kg": (0.0, 20_000.0, "kg"),
    "mc_pct": (0.0, 400.0, "%"),
}
# and of one kind: a check closes again to nothing, and may be as narrow as a leaf of the feeler gauge
_NUMBERS_OF: Final[Mapping[EventKind, Mapping[str, tuple[float, float, str]]]] = {
    EventKind.CHECKED: {
        "width_mm": (0.0, 200.0, "mm"), "depth_mm": (0.0, 2e3, "mm"), "length_mm": (0.0, 1e5, "mm"),
    },
    EventKind.KERFED: {"width_mm": (0.1, WIDEST_KERF_MM, "mm")},
}  # fmt: skip

MOST_LETTERS: Final = 120  # of a supplier, a part and the like; our own


def checked(event: Event, timber: Timber, *, zone: tzinfo | None) -> Event:
    """Give an event with its details in their usual form, or refuse it.

    Parameters
    ----------
    event : Event
        As entered.
    timber : Timber
        The timber as it stands.
    zone : tzinfo or None
        Of the shop: a day that stands in a detail is one of its clock; None is this machine's.

    Raises
    ------
    OutOfRange
        If a detail can't be meant.
    """
    detail: dict[str, Value] = {}
    for name, value in event.detail.items():
        usual = _one(event.kind, name, value)
        if usual is not None:
            detail[name] = usual
    _refuse(replace(event, at_utc=event.at_utc.astimezone(zone)), detail, timber, zone)
    _weights(detail)
    end = detail.get("from_end_mm")
    if end is not None and float(end) > timber.length_mm:
        raise OutOfRange(
            "the distance from an end",
            f"of {float(end):.0f} mm is longer than {timber.tag}, which is {timber.length_mm:.0f} mm",
        )
    return replace(event, detail=detail)


# what the register adds to an event: the length that a curve was measured over, the size before a planing
_FILLED_IN: Final[Mapping[EventKind, frozenset[str]]] = {EventKind.MEASURED: frozenset({"length_mm"})}
_TOLD_BY_REGISTER: Final = frozenset({"from", "old", "from_width_mm", "from_depth_mm"})


def says_the_same(event: Event, stored: Event) -> bool:
    """Whether an event says of a timber what a stored one says, whenever it was."""
    said, held = (
        {name: value for name, value in one.detail.items() if name not in _TOLD_BY_REGISTER}
        for one in (event, stored)
    )
    more = held.keys() - said.keys()
    return more <= _FILLED_IN.get(event.kind, frozenset()) and said == {
        name: value for name, value in held.items() if name not in more
    }


def is_one(event: Event, stored: Event) -> bool:
    """Whether an event is the stored one, sent or brought in once more; who told it does not matter."""
    same = event.kind is stored.kind and to_us(event.at_utc) == to_us(stored.at_utc)
    return same and says_the_same(event, stored)


def _refuse(event: Event, detail: dict[str, Value], timber: Timber, zone: tzinfo | None) -> None:
    """Refuse what an event of its kind can't hold; fill in what a person leaves out."""
    if event.kind is EventKind.MOVED:
        Series(owner=Owner.AIR, name=str(detail["to"]), quantity=Quantity.TEMP)
    if event.kind is EventKind.SENSOR_ATTACHED and "depth_mm" in detail:
        face = Face(str(detail["face"])) if "face" in detail else None
        timber.section.refuse_depth(float(detail["depth_mm"]), face)
    if event.kind is EventKind.KERFED:
        if "face" not in detail:
            raise OutOfRange("a relief kerf", "needs its face: a, b, c or d")
        replace(timber.section, kerf=as_sawn(detail))  # refuses one that saws through
    if event.kind is EventKind.COATED:
        _one_of(detail, "coat", COATS, "a coat")
    if event.kind in {EventKind.CHECKED, EventKind.DEFECT}:
        _seen(detail, timber, event)
    if event.kind is EventKind.SOURCED:
        _sourced(detail, timber, event, timber.arrived_utc.astimezone(zone))
    if event.kind is EventKind.MEASURED:
        _measured(detail, timber)
        if {
            "bow_mm",
            "crook_mm",
            "twist_mm",
        } & detail.keys():  # a later cut takes a part of the curve with it
            detail.setdefault("length_mm", timber.length_mm)


def _seen(detail: dict[str, Value], timber: Timber, event: Event) -> None:
    """Refuse an opening or a defect that the timber has no room for."""
    if event.kind is EventKind.DEFECT:
        _defect(detail, timber)
    else:
        _opened(detail, timber, event)


def _defect(detail: dict[str, Value], timber: Timber) -> None:
    """Refuse a defect that is none of those known, or lies outside the section."""
    if _one_of(detail, "what", DEFECTS, "a defect") is None:
        raise OutOfRange("a defect", f"is one of {', '.join(DEFECTS)}; say which")
    section = timber.section
    for begin, size, whole_mm, face in (
        ("from_d_mm", "width_mm", section.width_mm, "d"),
        ("from_a_mm", "depth_mm", section.depth_mm, "a"),
    ):
        end_mm = float(detail[begin]) + float(detail[size])
        if end_mm > whole_mm + 1.0:
            raise OutOfRange(
                f"a {detail['what']}",
                f"that ends {end_mm:.0f} mm from face {face} lies outside {timber.tag}, which is "
                f"{whole_mm:.0f} mm",
            )


def _sourced(detail: dict[str, Value], timber: Timber, event: Event, arrived: datetime) -> None:
    """Leave away what is empty, and refuse a felling that lies ahead or after the arrival."""
    for name in [name for name, value in detail.items() if not str(value).strip()]:
        del detail[name]
    if not detail:
        raise OutOfRange("where a timber comes from", "needs at least one word, such as supplier=...")
    for name, value in detail.items():
        if len(str(value)) > MOST_LETTERS:
            raise OutOfRange(f"the {name}", f"has at most {MOST_LETTERS} letters")
    if "felled" in detail:
        try:
            felled = date.fromisoformat(str(detail["felled"]))
        except ValueError as err:
            raise OutOfRange(
                "the day of felling", f"looks like 2026-01-14, not {detail['felled']!r}"
            ) from err
        if felled > event.at_utc.date():
            raise OutOfRange("the day of felling", f"{felled} lies after {event.at_utc:%Y-%m-%d}")
        if felled > arrived.date():
            raise OutOfRange(
                "the day of felling",
                f"{felled} lies after {timber.tag} arrived, {arrived:%Y-%m-%d}; check both",
            )
        detail["felled"] = felled.isoformat()


def _one(kind: EventKind, name: str, value: Value) -> Value | None:
    if name in _NUMBERS:
        return _number(kind, name, value)
    if name == "faces":
        return _faces(kind, str(value))
    if name == "up" or (name == "face" and value != ""):
        if str(value).strip().lower() not in set(_LETTERS):
            raise OutOfRange("a face", f"is one of a, b, c, d, not {value!r}")
        return str(value).strip().lower()
    if name == "face":
        return None
    if name == "sensor":
        return sensor_flag(str(value).strip()).removeprefix("sensor-")
    if name in {"file", "to"} and not str(value).strip():
        raise OutOfRange(f"the {'photograph' if name == 'file' else 'place'}", "needs a name")
    usual = value.strip() if isinstance(value, str) else value
    return _inside(str(usual)) if name == "file" else usual


def _inside(file: str) -> str:
    path = PurePosixPath(file)
    if path.is_absolute() or ".." in path.parts or "\\" in file or not file.isprintable():
        raise OutOfRange("a photograph", f"lies in the shop's folder, like photos/one.jpg, not {file!r}")
    return file


def _number(kind: EventKind, name: str, value: Value) -> float:
    low, high, unit = _NUMBERS_OF.get(kind, {}).get(name) or _NUMBERS[name]
    number = float(value) if isinstance(value, int | float) and not isinstance(value, bool) else math.nan
    if not low <= number <= high:
        words = name.rpartition("_")[0].replace("_", " ")
        told = value if math.isnan(number) else f"{number:g} {unit}"  # with its unit, for the reader's units
        raise OutOfRange(f"the {words} of an event", f"lies between {low:g} and {high:g} {unit}, not {told}")
    return number


def _faces(kind: EventKind, text: str) -> str:
    letters = "".join(sorted(set(text.lower()) - set(" ,")))
    if unknown := sorted(set(letters) - set(_LETTERS)):
        raise OutOfRange(
            "the faces",
            f"of {kind.value} are letters of a, b, c, d, or nothing for none; {unknown[0]!r} is not one",
        )
    return letters


def _measured(detail: Mapping[str, Value], timber: Timber) -> None:
    if not detail.keys() - {"length_mm", "face", "from_end_mm"}:
        raise OutOfRange(
            "a measurement",
            "holds a width, a depth, a bow, a crook, a twist, a cup, how far it is out of square, a check's "
            "depth or a wane; name at least one, such as bow_mm=6",
        )
    _wane(detail, timber)
    for quantity, along in MEASURED_ALONG.items():
        what, name = quantity.value, f"{quantity.value}_mm"
        if name not in detail:
            continue
        green_mm, now_mm = getattr(timber.section, name), float(detail[name])
        if "face" in detail and detail["face"] not in along:
            raise OutOfRange(
                f"a measured {what}",
                f"lies along face {' or '.join(along)}, not along face {detail['face']}; leave the face away "
                "for one between the middles of two faces",
            )
        if now_mm > MOST_GROWN * green_mm:
            raise OutOfRange(
                f"a measured {what}",
                f"of {now_mm:g} mm is larger than {timber.tag} was when it was entered, {green_mm:.0f} mm; "
                "if that was a slip, correct it with edit",
            )
        if now_mm < LEAST_LEFT * green_mm:
            raise OutOfRange(
                f"a measured {what}",
                f"of {now_mm:g} mm is less than any wood shrinks to from the {green_mm:.0f} mm that "
                f"{timber.tag} had; if it was planed or sawn, note that first",
            )


def _wane(detail: Mapping[str, Value], timber: Timber) -> None:
    """Refuse wane that reaches beyond the timber, or of which half is missing."""
    section = timber.section
    for corner, (across, down) in WANE.items():
        if down in detail and across not in detail:
            raise OutOfRange(
                f"wane at corner {corner}",
                f"needs how far it reaches across the width too: {across}, beside {down}",
            )
        for name, most_mm in ((across, section.width_mm), (down, section.depth_mm)):
            if name in detail and float(detail[name]) > most_mm:
                raise OutOfRange(
                    f"wane at corner {corner}",
                    f"of {float(detail[name]):.0f} mm reaches beyond {timber.tag}, which is "
                    f"{most_mm:.0f} mm there",
                )


def _opened(detail: dict[str, Value], timber: Timber, event: Event) -> None:
    """Refuse an opening that the timber has no room for, or that is older than it may be."""
    kind = _one_of(detail, "opening", OPENINGS, "an opening") or OPENINGS[0]
    if kind == "check" and "face" not in detail:
        raise OutOfRange("a check", "needs its face: a, b, c or d")
    face = Face(str(detail["face"])) if "face" in detail else None
    limits = (
        ("depth_mm", "deep", timber.section.size_mm(face) if face else _largest_mm(timber)),
        ("length_mm", "long", timber.length_mm),
        ("width_mm", "wide", _largest_mm(timber) / 4),
    )
    for name, word, most_mm in limits:
        if name in detail and float(detail[name]) > most_mm:
            raise OutOfRange(
                f"a {kind}",
                f"is at most {most_mm:.0f} mm {word} in {timber.tag}, not {float(detail[name]):g} mm",
            )
    if "since" in detail:
        try:
            since = date.fromisoformat(str(detail["since"]))
        except ValueError as err:
            raise OutOfRange(
                f"the day since when a {kind} was there", f"looks like 2026-05-14, not {detail['since']!r}"
            ) from err
        if since > event.at_utc.date():
            raise OutOfRange(
                f"the day since when a {kind} was there",
                f"{since} lies after the day on which it was measured, {event.at_utc:%Y-%m-%d}",
            )
        detail["since"] = since.isoformat()
    if "name" in detail and not str(detail["name"]).strip():
        del detail["name"]


def _largest_mm(timber: Timber) -> float:
    return max(timber.section.width_mm, timber.section.depth_mm)


def _one_of(detail: dict[str, Value], name: str, known: Sequence[str], what: str) -> str | None:
    """Return a word among the known ones, in small letters, or None where it is not given."""
    if not str(detail.get(name, "")).strip():
        detail.pop(name, None)
        return None
    word = str(detail[name]).strip().lower()
    if word not in known:
        raise OutOfRange(what, f"is one of {', '.join(known)}, not {detail[name]!r}")
    detail[name] = word
    return word


def _weights(detail: Mapping[str, Value]) -> None:
    before, after = detail.get("weight_before_kg"), detail.get("weight_after_kg")
    if before is not None and after is not None and float(after) >= float(before):
        raise OutOfRange(
            "the weights", f"fall when wood is taken off; {after:g} kg is not below {before:g} kg"
        )
