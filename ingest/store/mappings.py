"""Mappings of sensors that people made on a page or by a command: who, when, and taken back by whom.

Each is a note of the store, so that backup and restore carry it; none is ever deleted. The listener and
whatever else stays open sees by `stamp` that there is news, and reads them anew.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Final

from pydantic import ValidationError

from baulk.ingest.config import Config
from baulk.ingest.errors import MappingError
from baulk.ingest.store import Store
from baulk.ingest.wire.source import KeptSource, Source
from baulk.models.errors import NotFound

_KEY: Final = "mapping/"
_STAMP: Final = "mappings changed"
MOST: Final = 2000  # a limit of ours: each message is held against all that are in force


@dataclass(frozen=True, slots=True, kw_only=True)
class Mapping:
    """A mapping and its history.

    Parameters
    ----------
    number : int
        By which it is named.
    source : Source
        What it says.
    made_utc : datetime
        When it was made.
    by : str
        By whom.
    note : str
        Free words.
    undone_utc : datetime or None
        When it was taken back.
    undone_by : str
        By whom.
    """

    number: int
    source: Source
    made_utc: datetime
    by: str = ""
    note: str = ""
    undone_utc: datetime | None = None
    undone_by: str = ""

    @property
    def body(self) -> dict[str, Any]:
        """What it says as a `[[source]]` has it, without what is left out there."""
        return said(self.source)


def said(source: Source) -> dict[str, Any]:
    """Return a source as plain values, without defaults."""
    return source.model_dump(mode="json", exclude_defaults=True, exclude={"number"})


def all_of(store: Store, *, undone: bool = False) -> list[Mapping]:
    """Give the mappings that are in force, with ``undone`` those taken back too, oldest first."""
    found = [one for note in store.notes(_KEY).values() if (one := _read(note)) is not None]
    return [one for one in found if undone or one.undone_utc is None]


def add(store: Store, source: Source, *, now_utc: datetime, by: str = "", note: str = "") -> Mapping:
    """Keep a mapping.

    Parameters
    ----------
    store : Store
        Where.
    source : Source
        What it says.
    now_utc : datetime
        Now, with a time zone.
    by, note : str
        Who made it, and free words.

    Raises
    ------
    MappingError
        If the same one is in force already, or there are too many.
    """
    known = all_of(store, undone=True)
    body = said(source)
    if same := next((one for one in known if one.undone_utc is None and one.body == body), None):
        raise MappingError(f"mapping {same.number} says the same already")
    if sum(one.undone_utc is None for one in known) >= MOST:
        raise MappingError(f"there are {MOST} mappings in force; take back some that are no longer needed")
    made = Mapping(
        number=max((one.number for one in known), default=0) + 1,
        source=source,
        made_utc=now_utc,
        by=by,
        note=note,
    )
    return _kept(store, made)


def bring_in(store: Store, one: Mapping) -> Mapping | None:
    """Keep a mapping that was taken out elsewhere, with its history; None if it is here already."""
    known = all_of(store, undone=True)
    if any(each.made_utc == one.made_utc and each.body == one.body for each in known):
        return None
    return _kept(store, replace(one, number=max((each.number for each in known), default=0) + 1))


def undo(store: Store, number: int, *, now_utc: datetime, by: str = "") -> Mapping:
    """Take a mapping back; what it read stays.

    Raises
    ------
    NotFound
        If none of that number is in force.
    """
    return _kept(store, replace(_one(store, number, undone=False), undone_utc=now_utc, undone_by=by))


def redo(store: Store, number: int) -> Mapping:
    """Let a mapping that was taken back hold again.

    Raises
    ------
    NotFound
        If none of that number was taken back.
    """
    return _kept(store, replace(_one(store, number, undone=True), undone_utc=None, undone_by=""))


def stamp(store: Store) -> bytes:
    """Return what becomes another with every change; cheap to ask."""
    return store.noted(_STAMP) or b""


def joined(config: Config, store: Store) -> Config:
    """Return the settings with the mappings in force behind those of baulk.toml, which win."""
    own = tuple(one for one in config.source if not isinstance(one, KeptSource))
    if not stamp(store):  # nobody has made one yet
        return config
    kept = tuple(KeptSource.model_validate({**one.body, "number": one.number}) for one in all_of(store))
    return config.model_copy(update={"source": (*own, *kept)})


def to_json(one: Mapping) -> dict[str, Any]:
    """Write one as plain values."""
    return {
        "number": one.number,
        "source": one.body,
        "made_utc": one.made_utc.isoformat(),
        "by": one.by,
        "note": one.note,
        "undone_utc": one.undone_utc.isoformat() if one.undone_utc else None,
        "undone_by": one.undone_by,
    }


def from_json(body: dict[str, Any]) -> Mapping:
    """Read one that `to_json` wrote.

    Raises
    ------
    MappingError
        If it is none.
    """
    try:
        undone = body["undone_utc"]
        return Mapping(
            number=int(body["number"]),
            source=read(body["source"]),
            made_utc=datetime.fromisoformat(body["made_utc"]),
            by=str(body["by"]),
            note=str(body["note"]),
            undone_utc=datetime.fromisoformat(undone) if undone else None,
            undone_by=str(body["undone_by"]),
        )
    except (KeyError, TypeError, ValueError) as err:
        raise MappingError(f"this is no mapping that was kept: {str(err)[:120]}") from err


def read(body: dict[str, Any]) -> Source:
    """Check what a mapping says.

    Raises
    ------
    MappingError
        With the first mistake in one sentence.
    """
    try:
        return Source.model_validate(body)
    except ValidationError as err:
        first = err.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        why = first["msg"].removeprefix("Value error, ")
        if first["type"] == "extra_forbidden":
            why = f"is not known; known: {', '.join(sorted(Source.model_fields))}"
        raise MappingError(f"the mapping{f', {where}' if where else ''}: {why}") from err


def _one(store: Store, number: int, *, undone: bool) -> Mapping:
    able = [one for one in all_of(store, undone=True) if (one.undone_utc is not None) == undone]
    found = next((one for one in able if one.number == number), None)
    if found is None:
        what = "mapping that was taken back" if undone else "mapping in force"
        raise NotFound(f"{what}, number", str(number), [str(one.number) for one in able])
    return found


def _kept(store: Store, one: Mapping) -> Mapping:
    store.note(f"{_KEY}{one.number:06d}", json.dumps(to_json(one)).encode())
    store.note(_STAMP, _stamp_of(all_of(store, undone=True)))
    return one


def _stamp_of(those: Sequence[Mapping]) -> bytes:
    moments = [moment for one in those for moment in (one.made_utc, one.undone_utc) if moment]
    in_force = [one.number for one in those if one.undone_utc is None]
    return json.dumps([len(those), in_force, max(moments).isoformat() if moments else ""]).encode()


def _read(note: bytes) -> Mapping | None:
    try:
        return from_json(json.loads(note))
    except (MappingError, ValueError):  # damaged, or of another version: it is in force nowhere
        return None
