"""Our own long form, one reading a row: as `baulk export readings` writes it, or as a person types it."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import datetime
from functools import lru_cache
from typing import Final

import numpy as np

from baulk.ingest.correction_notes import Correction
from baulk.ingest.errors import ExchangeError
from baulk.ingest.exchange import correction_cells
from baulk.ingest.exchange.csv_file import Row, Sheet, folded
from baulk.ingest.exchange.reading_rows import (
    NUMBER,
    Block,
    Can,
    Parsed,
    Refused,
    Tag,
    Taken,
    impossible,
    numbers,
    owned,
)
from baulk.ingest.wire.logger_columns import scale_of
from baulk.ingest.wire.timestamps import TimeForm
from baulk.models import moisture_text, units
from baulk.models.errors import BaulkError, OutOfRange
from baulk.models.quantity import AT_DEPTH, SIZES, Owner, Quantity, Scale
from baulk.models.reading import AT_LEAST, Series, end_flag
from baulk.models.section import Face
from baulk.models.units import LengthUnit

_WITH_UNIT: Final = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*([^\W\d].*|[%°].*)")
_WORDS: Final = {"c": "degC", "°c": "degC", "f": "degF", "°f": "degF", "%": "percent", "%rh": "percent",
                 "lbs": "lb", "ω": "ohm", "v": "V", "mv": "mV", "k": "K"}  # fmt: skip
# the checks give the others anew
KEPT_FLAGS: Final = re.compile(r"end-\d+|at-least|clock|device-\S+|thinned")

LONG: Final[Mapping[str, tuple[str, ...]]] = {  # our names of the columns, and what people may write
    "series": ("series",),
    "tag": ("tag", "timber"),
    "place": ("place",),
    "quantity": ("quantity", "what"),
    "depth": ("depth", "depth mm", "depth in", "depth (mm)", "depth (in)"),
    "face": ("face",),
    "from_end": ("from end", "from end mm", "from end in", "from end (mm)", "from end (in)"),
    "taken": ("taken", "time", "when", "date"),
    "value": ("value",),
    "unit": ("unit",),
    "flags": ("flags",),
    "corrections": ("corrections",),
}


def is_long(names: frozenset[str]) -> bool:
    """Whether headings are those of the long form."""

    def has(name: str) -> bool:
        return any(each in names for each in LONG[name])

    return (
        has("taken")
        and has("value")
        and (has("series") or (has("quantity") and (has("tag") or has("place"))))
    )


class LongForm:
    """One reading a row, as `baulk export readings` writes it or a person types it.

    Parameters
    ----------
    sheet : Sheet
        The file.
    zone : str, optional
        Of times without an offset.
    tag : callable
        Gives a tag as the register writes it.
    can : callable
        Says what can't be of its timber.
    bare : "in" or "mm"
        Unit of a depth without one.
    """

    def __init__(  # noqa: PLR0913 - each says another thing
        self,
        sheet: Sheet,
        tag: Tag,
        can: Can,
        *,
        bare: LengthUnit,
        zone: str | None = None,
        time_format: str = "iso",
    ) -> None:
        self._sheet, self._tag, self._can, self._bare = sheet, tag, can, bare
        self._times = TimeForm(format=time_format, zone=zone)
        names = [folded(each) for each in sheet.headings]
        self._at: dict[str, int] = {}
        for ours, written in LONG.items():
            if found := [n for n, name in enumerate(names) if name in written]:
                if len(found) > 1:
                    raise ExchangeError(f"{sheet.name} has two columns for {ours}; take one away")
                self._at[ours] = found[0]
        self._meaning = lru_cache(maxsize=4096)(self._understood)

    def parse(self, rows: Sequence[Row], now_utc: datetime) -> Parsed:
        """Read some rows; a row whose value stands with its unit needs no column for it."""
        heading = self._sheet.headings[self._at["taken"]]
        taken = Taken(rows, self._at["taken"], self._times, now_utc, heading)
        refused = taken.refused
        groups: dict[tuple[Series, Scale], list[tuple[int, str]]] = {}
        marks: dict[int, tuple[str, ...]] = {}
        chains: dict[int, tuple[Correction, ...]] = {}
        gone: list[tuple[Correction, ...]] = []
        for n, row in enumerate(taken.rows):
            try:
                if corrected := self._cell(row.cells, "corrections"):
                    chain = self._chain(corrected, row.cells, now_utc)
                    if not self._cell(row.cells, "value"):
                        gone.append(chain)
                        continue
                    chains[n] = chain
                number, unit, ended = self._value(row.cells)
                series, scale, flags = self._meaning(*self._identity(row.cells), unit)
                if ended and series.quantity is not Quantity.MOISTURE:
                    raise OutOfRange("the value", "means at least, which only a moisture meter says")
                flags = (*flags, AT_LEAST) if ended else flags
            except BaulkError as err:
                refused.append(Refused(line=row.line, reason=str(err), cells=row.cells))
                continue
            groups.setdefault((series, scale), []).append((n, number))
            if flags := (*flags, *self._flags(row.cells, flags)):
                marks[n] = flags
        blocks: list[Block] = []
        for (series, scale), found in groups.items():
            index = np.array([n for n, _ in found], dtype=np.int64)
            values, reasons = numbers([text for _, text in found], scale, comma=False)
            reasons.update(impossible(series, values, self._can))
            for k, why in reasons.items():
                row = taken.rows[int(index[k])]
                refused.append(Refused(line=row.line, reason=why, column="value", cells=row.cells))
            keep = np.ones(len(found), dtype=bool)
            keep[list(reasons)] = False
            kept = index[keep]
            block = Block(
                series=series,
                lines=np.array([taken.rows[n].line for n in kept], dtype=np.int64),
                taken_us=taken.taken_us[kept],
                values=values[keep],
                flags={k: marks[n] for k, n in enumerate(kept.tolist()) if n in marks},
            )
            own = np.array([n not in chains for n in kept], dtype=bool)
            gone += [
                correction_cells.ending(chains[int(kept[k])], block.reading(int(k), now_utc))
                for k in np.flatnonzero(~own)
            ]
            if own.any():
                blocks.append(block.only(own))
        refused.sort(key=lambda each: each.line)
        return Parsed(
            blocks=tuple(blocks), refused=tuple(refused), rows=len(rows), blank=0, corrected=tuple(gone)
        )

    def _chain(self, text: str, cells: tuple[str, ...], now_utc: datetime) -> tuple[Correction, ...]:
        """Read what a reading was before; what can't be is no more taken here than anywhere."""
        series, _, _ = self._meaning(*self._identity(cells), self._cell(cells, "unit"))
        chain = correction_cells.read(text, series, now_utc)
        for one in chain:
            for _, why in impossible(one.was.series, np.array([one.was.value]), self._can):
                raise OutOfRange("what it was before", why)
        return chain

    def _cell(self, cells: tuple[str, ...], name: str) -> str:
        at = self._at.get(name)
        return "" if at is None else cells[at]

    def _identity(self, cells: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(
            self._cell(cells, name)
            for name in ("series", "tag", "place", "quantity", "depth", "face", "from_end")
        )

    def _value(self, cells: tuple[str, ...]) -> tuple[str, str, bool]:
        """Part a value from the unit that stands with it; and whether a meter's scale ended there."""
        text, unit = self._cell(cells, "value"), self._cell(cells, "unit")
        if self._sheet.decimal_comma and "." not in text:
            text = text.replace(",", ".", 1)
        if not text:
            raise OutOfRange("the value", "is missing")
        if (over := moisture_text.over(text)) is not None:
            bare = moisture_text.names_no_number(text) or not unit
            return f"{over.mc_pct:g}", "percent" if bare else unit, True
        if not NUMBER.fullmatch(text) and (found := _WITH_UNIT.fullmatch(text)):
            beside = _WORDS.get(found[2].lower(), found[2])
            if unit and _WORDS.get(unit.lower(), unit) != beside:
                raise OutOfRange("the value", f"{text!r} says another unit than its column, {unit!r}")
            text, unit = found[1], beside
        if not unit:
            raise OutOfRange("the value", f"{text!r} needs its unit, for nothing is guessed")
        return text, unit, False

    def _understood(  # noqa: PLR0913, PLR0917 - one a column
        self, text: str, tag: str, place: str, quantity: str, depth: str, face: str, end: str, unit: str
    ) -> tuple[Series, Scale, tuple[str, ...]]:
        series = Series.parse(text) if text else self._named(tag, place, quantity, depth, face, end)
        series = owned(series, self._tag)
        flags: tuple[str, ...] = ()
        if end and series.quantity not in SIZES:
            if series.quantity not in AT_DEPTH:
                raise OutOfRange(
                    "the distance from an end",
                    f"belongs to pins, widths and depths, not to {series.quantity.value}",
                )
            flags = (end_flag(self._length(end, "from_end")),)
        try:
            scale = scale_of(series.quantity, unit)
        except OutOfRange:
            if unit.lower() not in _WORDS:
                raise
            scale = scale_of(series.quantity, _WORDS[unit.lower()])
        return series, scale, flags

    def _named(  # noqa: PLR0913, PLR0917 - one a column
        self, tag: str, place: str, quantity: str, depth: str, face: str, end: str
    ) -> Series:
        if not (tag or place):
            raise OutOfRange("the row", "names neither a timber nor a place")
        try:
            what = Quantity(quantity.lower().replace(" ", "-"))
            side = Face(face.lower()) if face else None
        except ValueError as err:
            known = ", ".join(each.value for each in Quantity)
            raise OutOfRange(
                "the row",
                f"says quantity {quantity!r}, face {face!r}; quantities: {known}; faces: a, b, c, d",
            ) from err
        return Series(
            owner=Owner.TIMBER if tag else Owner.AIR,
            name=tag or place,
            quantity=what,
            depth_mm=self._length(depth, "depth") if depth else None,
            face=side,
            from_end_mm=self._length(end, "from_end") if end and what in SIZES else None,
        )

    def _length(self, text: str, name: str) -> float:
        """Read a length whose unit stands behind it, in its heading, or is the shop's."""
        heading = folded(self._sheet.headings[self._at[name]]).rstrip(")")
        bare: LengthUnit = "mm" if heading.endswith("mm") else "in" if heading.endswith("in") else self._bare
        if self._sheet.decimal_comma:
            text = text.replace(",", ".")
        return units.length_mm(text, bare=bare)

    def _flags(self, cells: tuple[str, ...], have: tuple[str, ...]) -> tuple[str, ...]:
        """Give the flags that only the file knows, without a moving sensor's: the row names a timber."""
        text = self._cell(cells, "flags")
        return tuple(
            flag for flag in re.split(r"[,\s]+", text) if flag not in have and KEPT_FLAGS.fullmatch(flag)
        )
