"""A message that tells what was measured, seen or done on a timber: JSON with the names of an `Event`.

It goes to ``baulk/v1/SHOP/timber/TAG/event``, for instance
``{"kind": "checked", "at_utc": "2026-05-14T09:30:00Z", "detail": {"face": "b", "width_mm": 3}}``,
with ``by`` and ``note`` where somebody is to be named.
SenML was weighed and left: it has records of one value each, and a face or a wax are none.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any, Final

from baulk.ingest.errors import WireError
from baulk.ingest.wire.message import Decoded, RawMessage, number, parse_json
from baulk.models.errors import BaulkError
from baulk.models.formatting import printable
from baulk.models.timber import BY_MESSAGE, COATS, DETAILS, OPENINGS, Event, EventKind, Value

_KEYS: Final = ("kind", "at_utc", "detail", "by", "note")
_MOST: Final = {"by": 120, "note": 2000}  # letters; our own
_LETTERS: Final = 200  # of a word in the detail; our own


def decode(raw: RawMessage, tag: str) -> Decoded:
    """Read an event of a timber; what its details may hold the register says when it is entered.

    Raises
    ------
    WireError
        If it is no JSON object of these names, its kind is none of `BY_MESSAGE`, or its time has no zone.
    """
    body = parse_json(raw.payload)
    if not isinstance(body, dict):
        raise WireError(f"an event is a JSON object with {', '.join(_KEYS[:3])}, by and note")
    if unknown := sorted(body.keys() - set(_KEYS)):
        raise WireError(f"an event has no {printable(unknown[0][:40])!r}; known: {', '.join(_KEYS)}")
    kind = _kind(body.get("kind"))
    try:
        event = Event(
            tag=tag,
            kind=kind,
            at_utc=_moment(body.get("at_utc")),
            detail=_detail(body.get("detail", {})),
            by=_words(body, "by"),
            note=_words(body, "note"),
            noted_utc=raw.now_utc,
        )
    except BaulkError as err:
        raise WireError(str(err)) from err
    return Decoded(event=event)


def _kind(said: object) -> EventKind:
    known = sorted(each.value for each in BY_MESSAGE)
    if said not in known:
        shown = printable(str(said)[:40])
        raise WireError(f"a message tells events of kind {', '.join(known)}, and none of kind {shown!r}")
    return EventKind(str(said))


def _moment(said: object) -> datetime:
    try:
        found = datetime.fromisoformat(said) if isinstance(said, str) else None
    except ValueError:
        found = None
    if found is None or found.tzinfo is None:
        shown = printable(str(said)[:40])
        raise WireError(f"at_utc of an event looks like 2026-05-14T09:30:00Z, with its zone, not {shown!r}")
    return found


def _detail(said: object) -> dict[str, Value]:
    if not isinstance(said, dict):
        raise WireError("the detail of an event is a JSON object with names and values")
    found: dict[str, Value] = {}
    for name, value in said.items():
        if name.endswith("_mm"):
            found[name] = number(value, name)
        elif not isinstance(value, str) or len(value) > _LETTERS or not value.isprintable():
            raise WireError(
                f"{printable(name[:40])} of an event is one line of text, {_LETTERS} letters at most"
            )
        else:
            found[name] = value
    return found


def _words(body: Mapping[str, Any], name: str) -> str:
    said = body.get(name, "")
    if not isinstance(said, str) or len(said) > _MOST[name] or not said.replace("\n", " ").isprintable():
        raise WireError(f"{name} of an event is plain text of at most {_MOST[name]} letters")
    return " ".join(said.split()) if name == "by" else said.strip()


def json_schema() -> dict[str, Any]:
    """Return the JSON schema of such a message, made of the details that each kind has."""
    text = {"type": "string"}
    return {
        "description": "What was measured or done on a timber, to baulk/v1/SHOP/timber/TAG/event. [mm].",
        "type": "object",
        "properties": {
            "kind": {"enum": sorted(each.value for each in BY_MESSAGE)},
            "at_utc": {"type": "string", "format": "date-time"},
            "detail": {"type": "object"},
            "by": {**text, "maxLength": _MOST["by"]},
            "note": {**text, "maxLength": _MOST["note"]},
        },
        "required": ["kind", "at_utc"],
        "additionalProperties": False,
        "allOf": [_of_kind(each) for each in sorted(BY_MESSAGE)],
    }


def _of_kind(kind: EventKind) -> dict[str, Any]:
    words: dict[str, Any] = {
        "face": {"enum": ["a", "b", "c", "d"]},
        "coat": {"enum": list(COATS)},
        "opening": {"enum": list(OPENINGS)},
        "since": {"type": "string", "format": "date"},
    }
    names = [name.removesuffix("?") for name in DETAILS[kind]]
    detail: dict[str, Any] = {
        "type": "object",
        "properties": {
            name: {"type": "number"} if name.endswith("_mm") else words.get(name, {"type": "string"})
            for name in names
        },
        "required": [name for name in DETAILS[kind] if not name.endswith("?")],
        "additionalProperties": False,
    }
    needs = {"required": ["detail"]} if detail["required"] else {}
    return {
        "if": {"properties": {"kind": {"const": kind.value}}},
        "then": {"properties": {"detail": detail}, **needs},
    }
