"""What is taken out as tables: timbers, readings, events, verdicts; a column's name carries its unit.

Readings and timbers taken out as CSV come in again as they were, by `import_timbers` and `import_readings`.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

from baulk.ingest.errors import DocumentError
from baulk.ingest.evaluation import document_read
from baulk.ingest.evaluation.document import SCHEMA_VERSION, Document, Failed
from baulk.ingest.exchange import correction_cells, mapping_rows
from baulk.ingest.exchange.correction_cells import Chains
from baulk.ingest.exchange.table_file import Table
from baulk.ingest.register.tables import FIELDS, columns
from baulk.ingest.shop import Shop
from baulk.ingest.store.moments import DAY_US, from_us, to_us
from baulk.models.errors import NotFound, OutOfRange
from baulk.models.quantity import Owner
from baulk.models.reading import Reading, from_end_mm
from baulk.models.timber import Event, EventKind

_AT_ONCE: Final = 50_000  # readings held at once
_TIMES: Final = frozenset({"arrived_utc", "retired_utc"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What is wanted of all there is.

    Parameters
    ----------
    tags, places : tuple of str
        Only these; both empty for all.
    since_utc : datetime, optional
        Only what is not older.
    """

    tags: tuple[str, ...] = ()
    places: tuple[str, ...] = ()
    since_utc: datetime | None = None


def timbers(shop: Shop, asked: Asked) -> Table:
    """Give every timber, those that left too; places are those that timbers lie in."""
    found = _timbers(shop, asked)
    holds = {"tag": "text", **{name: _holds(name) for name in FIELDS}}
    return Table(columns=holds, rows=[_timber_row(columns(each)) for each in found])


def readings(shop: Shop, asked: Asked) -> Table:
    """Give every reading, one a row, and what was taken back; places are those of air.

    `corrections` holds what a reading was before somebody put it right, with who, when and why.
    """
    owners = [(Owner.TIMBER, shop.register.get(tag).tag) for tag in asked.tags]
    owners += [(Owner.AIR, name) for name in _known_places(asked.places, shop.store.places())]
    if not (asked.tags or asked.places):
        owners = list(dict.fromkeys((each.owner, each.name) for each in shop.store.series()))
    holds = {
        "series": "text", "tag": "text", "place": "text", "quantity": "text", "depth_mm": "number",
        "face": "text", "from_end_mm": "number", "taken": "time", "value": "number", "unit": "text",
        "source": "text", "flags": "text", "arrived": "time", "corrections": "text",
    }  # fmt: skip
    rows = (row for owner, name in owners for row in _reading_rows(shop, owner, name, asked.since_utc))
    return Table(columns=holds, rows=rows)


def _reading_rows(shop: Shop, owner: Owner, name: str, since_utc: datetime | None) -> Iterator[Sequence[Any]]:
    """Give the readings of a timber or a place; behind them those that were taken back, without a value."""
    chains = Chains(shop.store, owner, name)
    for since, until in _stretches(shop, owner, name, since_utc):
        for one in shop.store.readings(owner, name, since, until):
            yield _reading_row(one, correction_cells.cell(chains.of(one)))
    for chain in chains.taken_back():
        was = chain[-1].was
        if since_utc is None or was.taken_utc >= since_utc:
            yield _reading_row(was, correction_cells.cell(chain), is_gone=True)


def events(shop: Shop, asked: Asked) -> Table:
    """Give what happened, what was taken back too."""
    _no_places(asked)
    tags: list[str | None] = [shop.register.get(tag).tag for tag in asked.tags] or [None]
    holds = {
        "number": "number", "tag": "text", "kind": "text", "at": "time", "detail": "text", "by": "text",
        "note": "text", "noted": "time", "undone": "time", "undone_by": "text",
    }  # fmt: skip
    rows = [
        (
            one.number,
            one.tag,
            one.kind.value,
            one.at_utc,
            json.dumps(_event_detail(shop, one), ensure_ascii=False, sort_keys=True),
            one.by,
            one.note,
            one.noted_utc,
            one.undone_utc,
            one.undone_by,
        )
        for tag in tags
        for one in shop.register.events(tag, since_utc=asked.since_utc, undone=True)
    ]
    return Table(columns=holds, rows=rows)


def _event_detail(shop: Shop, event: Event) -> dict[str, Any]:
    """Return an event's detail; an arrival's also what of the timber was another then than it is now."""
    detail = dict(event.detail)
    if event.kind is EventKind.ARRIVED and event.counts:  # else it is no timber any more
        now = columns(shop.register.get(event.tag))
        then = columns(shop.register.as_of(event.tag, event.at_utc - timedelta(days=2)))  # before all events
        detail |= {name: then[name] for name in FIELDS if then[name] != now[name] or name == "place"}
    return detail


def verdicts(shop: Shop, asked: Asked) -> Table:
    """Give the last verdict of each timber."""
    _no_places(asked)
    wanted = {shop.register.get(tag).tag for tag in asked.tags}
    parts, ends = ("mean", "core", "shell"), ("now", "low", "high")
    holds = {
        "tag": "text", "made": "time", "verdict": "text", "rough_out_from": "text", "square_from": "text",
        "square_probability": "number",
        **{f"{part}_{end}_pct": "number" for part in parts for end in ends},
        "reasons": "text", "next_reading": "text", "failed": "text",
    }  # fmt: skip
    rows = []
    for each in shop.store.evaluations():
        if (wanted and each.tag not in wanted) or (asked.since_utc and each.made_utc < asked.since_utc):
            continue
        rows.append((each.tag, each.made_utc, *_verdict_row(each.payload)))
    return Table(columns=holds, rows=rows)


def _verdict_row(payload: bytes) -> list[Any]:
    """Return the cells of a stored evaluation; where there is no verdict, only why."""
    try:
        found = document_read.summary(payload)
    except DocumentError as err:
        failed = document_read.failure_of(payload)
        return [*[None] * 15, str(err) if failed is None else failed.failed]
    judged = found.verdict
    dates = [judged.dates.get(step) for step in ("rough out", "square")]
    spans = (found.mean_now_pct, found.core_now_pct, found.shell_now_pct)
    return [
        judged.step,
        *(None if each is None else each.isoformat() for each in dates),
        judged.probability.get("square"),
        *(value for span in spans for value in (span.median, span.low, span.high)),
        " ".join(judged.reasons),
        judged.next_reading,
        None,
    ]


def evaluations(
    shop: Shop, asked: Asked, *, past: bool = False
) -> Iterator[tuple[str, Document | Failed | DocumentError]]:
    """Give the tag and the whole document of each timber's evaluation, in the schema of this version.

    Parameters
    ----------
    shop : Shop
        The open shop.
    asked : Asked
        Which.
    past : bool
        Whether to give those that were kept of earlier weeks too, the oldest first.

    Yields
    ------
    tuple of (str, Document or Failed or DocumentError)
        The last where what is stored can't be read.

    Raises
    ------
    OutOfRange
        If places are asked for; evaluations belong to timbers.
    """
    _no_places(asked)
    wanted = {shop.register.get(tag).tag for tag in asked.tags}
    for last in shop.store.evaluations():
        if wanted and last.tag not in wanted:
            continue
        earlier = shop.store.past_evaluations(last.tag) if past else []
        for each in [*(one for one in earlier if one.made_utc != last.made_utc), last]:
            if asked.since_utc is None or each.made_utc >= asked.since_utc:
                yield each.tag, _document(each.payload)


def _document(payload: bytes) -> Document | Failed | DocumentError:
    try:
        found = document_read.failure_of(payload) or document_read.parse(payload)
    except DocumentError as err:
        return err
    return found.model_copy(update={"schema_version": SCHEMA_VERSION})


def mappings(shop: Shop, asked: Asked) -> Table:
    """Give the mappings of sensors that people made, what was taken back too."""
    _no_places(asked)
    if asked.tags:
        raise OutOfRange("a tag", "is not asked for with mappings; all of them are given")
    return Table(columns=mapping_rows.COLUMNS, rows=mapping_rows.rows(shop, asked.since_utc))


TABLES: Final[Mapping[str, Callable[[Shop, Asked], Table]]] = {
    "timbers": timbers,
    "readings": readings,
    "events": events,
    "verdicts": verdicts,
    "mappings": mappings,
}


def _timbers(shop: Shop, asked: Asked) -> Iterator[Any]:
    found = shop.register.list(retired=True)
    wanted = {shop.register.get(tag).tag for tag in asked.tags}
    places = set(_known_places(asked.places, {each.place for each in found}))
    for each in found:
        if (
            (not wanted or each.tag in wanted)
            and (not places or each.place in places)
            and (asked.since_utc is None or each.arrived_utc >= asked.since_utc)
        ):
            yield each


def _timber_row(row: Mapping[str, Any]) -> list[Any]:
    return [
        datetime.fromisoformat(value) if name in _TIMES and value is not None else value
        for name, value in row.items()
    ]


def _holds(name: str) -> str:
    if name in _TIMES:
        return "time"
    if name == "ends_sealed":
        return "yes"
    return "number" if name.endswith(("_mm", "_pct")) else "text"


def _stretches(
    shop: Shop, owner: Owner, name: str, since_utc: datetime | None
) -> Iterator[tuple[datetime, datetime]]:
    """Part the time of a timber or a place so that some fifty thousand readings are held at once."""
    counts = shop.store.daily_means(owner, name).groupby("posix_s")["count"].sum()
    since_us = None if since_utc is None else to_us(since_utc)
    start_us, held = None, 0
    for posix_s, count in counts.items():
        day_us = round(float(str(posix_s))) * 1_000_000
        if since_us is not None and day_us + DAY_US <= since_us:
            continue
        if start_us is None:
            start_us = day_us
        held += int(count)
        if held >= _AT_ONCE:
            yield from_us(max(start_us, since_us or start_us)), from_us(day_us + DAY_US - 1)
            start_us, held = None, 0
    if start_us is not None:
        yield from_us(max(start_us, since_us or start_us)), from_us(day_us + DAY_US - 1)


def _reading_row(one: Reading, corrected: str | None, *, is_gone: bool = False) -> Sequence[Any]:
    series = one.series
    timber = series.owner is Owner.TIMBER
    return (
        str(series),
        series.name if timber else None,
        None if timber else series.name,
        series.quantity.value,
        series.depth_mm,
        series.face and series.face.value,
        from_end_mm(one.flags) if series.from_end_mm is None else series.from_end_mm,
        one.taken_utc,
        None if is_gone else one.value,
        one.unit,
        one.source,
        correction_cells.TAKEN_BACK if is_gone else " ".join(one.flags),
        one.arrived_utc,
        corrected,
    )


def _known_places(asked: tuple[str, ...], known: Iterable[str]) -> list[str]:
    names = {name.lower(): name for name in known}
    for place in asked:
        if place.lower() not in names:
            raise NotFound("place", place, names.values())
    return [names[place.lower()] for place in asked]


def _no_places(asked: Asked) -> None:
    if asked.places:
        raise OutOfRange("--place", "says nothing here; events and verdicts belong to timbers: name tags")
