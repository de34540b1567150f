"""Taking timbers, readings, events and verdicts out as CSV or Parquet; a column's name carries its unit.

Readings and timbers taken out as CSV come in again as they were, by `import_timbers` and `import_readings`.
"""

from __future__ import annotations

import csv
import json
import secrets
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import islice
from pathlib import Path
from typing import IO, Any, Final

from baulk.ingest.errors import DocumentError, ExchangeError, StoreError
from baulk.ingest.evaluation import document_read
from baulk.ingest.evaluation.document import SCHEMA_VERSION, Document, Failed
from baulk.ingest.exchange import correction_cells, mapping_rows
from baulk.ingest.exchange.correction_cells import Chains
from baulk.ingest.register.tables import FIELDS, columns
from baulk.ingest.shop import Shop
from baulk.ingest.store.base import DAY_US, from_us, to_us
from baulk.models.errors import NotFound, OutOfRange
from baulk.models.formatting import spreadsheet_cell
from baulk.models.quantity import Owner
from baulk.models.reading import Reading, from_end_mm
from baulk.models.timber import Event, EventKind

ENDINGS: Final = (".csv", ".parquet")
_GROUP: Final = 50_000  # rows of a Parquet file held at once
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """Rows to take out, made as they are written.

    Parameters
    ----------
    columns : mapping
        Names, and of each what it holds: "text", "number", "time" or "yes".
    rows : iterable of sequence
        Cells in that order; None for nothing.
    """

    columns: Mapping[str, str]
    rows: Iterable[Sequence[Any]]


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


def write(table: Table, path: Path) -> int:
    """Write a table to a file, CSV or Parquet by its ending; it is there whole or not at all.

    Returns
    -------
    int
        How many rows.

    Raises
    ------
    OutOfRange, ExchangeError
        If the file's ending is neither, or it can't be written.
    """
    if path.suffix.lower() not in ENDINGS:
        raise OutOfRange("the file's name", f"ends in .csv or .parquet, not {path.name!r}")
    with _beside(path) as part:
        if path.suffix.lower() == ".parquet":
            return _write_parquet(table, part)
        with part.open("w", encoding="utf-8", newline="") as out:
            return write_csv(table, out)


def write_lines(lines: Iterable[str], path: Path) -> None:
    """Write text to a file; it is there whole or not at all."""
    with _beside(path) as part, part.open("w", encoding="utf-8") as out:
        out.writelines(lines)


@contextmanager
def _beside(path: Path) -> Iterator[Path]:
    """Give a file to write, which takes the place of another once it is whole."""
    part = path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")
    try:
        yield part
        part.replace(path)
    except StoreError:  # which is an OSError, and no fault of the file
        raise
    except OSError as err:
        raise ExchangeError(f"{path} can't be written: {err.strerror or err}") from err
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)


def write_csv(table: Table, out: IO[str]) -> int:
    """Write a table as CSV: commas, points, times in ISO 8601 with their zone."""
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(table.columns)
    kinds, count = list(table.columns.values()), 0
    for row in table.rows:
        writer.writerow([_cell(value, kind) for value, kind in zip(row, kinds, strict=True)])
        count += 1
    return count


def _cell(value: Any, kind: str) -> str:  # noqa: ANN401 - whatever a column holds
    if value is None:
        return ""
    if kind == "time":
        return str(value.astimezone(UTC).isoformat())
    if kind == "yes":
        return "yes" if value else "no"
    if kind == "number":
        return repr(value)
    return spreadsheet_cell(str(value))


def _write_parquet(table: Table, path: Path) -> int:
    import pyarrow as pa  # noqa: PLC0415 - only who asks for Parquet waits for it
    from pyarrow import parquet  # noqa: PLC0415

    types = {
        "text": pa.string(),
        "number": pa.float64(),
        "time": pa.timestamp("us", "UTC"),
        "yes": pa.bool_(),
    }
    schema = pa.schema([(name, types[kind]) for name, kind in table.columns.items()])
    rows, count = iter(table.rows), 0
    with parquet.ParquetWriter(path, schema) as out:
        while group := list(islice(rows, _GROUP)):
            cells = zip(*group, strict=True)
            arrays = [
                pa.array(list(column), type=field.type) for column, field in zip(cells, schema, strict=True)
            ]
            out.write_batch(pa.record_batch(arrays, schema=schema))
            count += len(group)
    return count


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
    """Part the time of a timber or a place so that no more than some thousand readings are held at once."""
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
        if held >= _GROUP:
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
