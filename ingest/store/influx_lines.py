"""A reading as a line for an InfluxDB 2 server, and as the rows in which it comes back."""

from __future__ import annotations

import functools
from collections.abc import Mapping
from datetime import datetime
from typing import Final

from baulk.ingest.store.moments import from_us, to_us
from baulk.ingest.store.rows import MARK, SENSOR, flags_of
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import Reading, Series
from baulk.models.section import Face

MEASUREMENT: Final = "reading"
ALWAYS: Final = "always"  # of what a person took or brought in, and weights
AS_TAKEN: Final = "as-taken"  # of sensors; goes when thinned, or by the bucket's own retention
HOURLY: Final = "hourly"
TAGS: Final = ("owner", "named", "quantity", "depth", "face")
FIELDS: Final = ("value", "arrived", "source", "flags")
_END: Final = "end-"
_IN_TAGS: Final = str.maketrans({",": r"\,", "=": r"\=", " ": r"\ "})
_IN_TEXT: Final = str.maketrans({'"': r"\"", "\\": r"\\"})


def how_long(one: Reading) -> str:
    """Give the tag `kept` of a reading: how long it stays."""
    if one.source != SENSOR or one.series.quantity is Quantity.WEIGHT:
        return ALWAYS
    return HOURLY if MARK in one.flags else AS_TAKEN


def tags(series: Series) -> dict[str, str]:
    """Give the tags of a series, the same ones for each."""
    return {
        "owner": series.owner.value,
        "named": series.name,
        "quantity": series.quantity.value,
        "depth": _along(series),
        "face": series.face.value if series.face else "-",
    }


def _along(series: Series) -> str:
    """Write the depth of pins or how far a gauge is from an end: no series has both."""
    if series.from_end_mm is not None:
        return f"{_END}{series.from_end_mm:g}"
    return "-" if series.depth_mm is None else f"{series.depth_mm:g}"


@functools.lru_cache(maxsize=20_000)
def _head(series: Series, kept: str) -> str:
    """Write measurement and tags, which go with every point of a series; sorted, as the server likes them."""
    every = sorted({**tags(series), "kept": kept}.items())
    return MEASUREMENT + "".join(f",{key}={value.translate(_IN_TAGS)}" for key, value in every)


def line(one: Reading, kept: str) -> str:
    """Write a reading in line protocol, its time in microseconds."""
    flags = ",".join(one.flags).translate(_IN_TEXT) if one.flags else ""
    return (
        f"{_head(one.series, kept)} arrived={to_us(one.arrived_utc)}i,"
        f'flags="{flags}",source="{one.source.translate(_IN_TEXT)}",value={float(one.value)!r}'
        f" {to_us(one.taken_utc)}"
    )


@functools.lru_cache(maxsize=20_000)
def series_of(owner: str, named: str, quantity: str, depth: str, face: str) -> Series:
    """Give the series of its tags."""
    from_end = depth.startswith(_END)
    return Series(
        owner=Owner(owner),
        name=named,
        quantity=Quantity(quantity),
        depth_mm=None if from_end or depth == "-" else float(depth),
        face=None if face == "-" else Face(face),
        from_end_mm=float(depth.removeprefix(_END)) if from_end else None,
    )


def reading(row: Mapping[str, str]) -> Reading:
    """Give the reading of a row that has all its fields."""
    return Reading(
        series=series_of(*(row[tag] for tag in TAGS)),
        value=float(row["value"]),
        taken_utc=datetime.fromisoformat(row["_time"]),
        arrived_utc=from_us(int(row["arrived"])),
        source=row["source"],
        flags=flags_of(row["flags"]),
    )


def us(moment: str) -> int:
    """Read a moment of an answer as microseconds."""
    return to_us(datetime.fromisoformat(moment))


def moment(at_us: int, nanoseconds: int = 0) -> str:
    """Write a moment as RFC 3339, and so many nanoseconds more."""
    return f"{from_us(at_us):%Y-%m-%dT%H:%M:%S.%f}{nanoseconds:03d}Z"
