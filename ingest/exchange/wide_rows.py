"""Readings of a sensor that moves, out of a data logger's file: each goes to the timber it was on then."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime, tzinfo

import numpy as np
from numpy.typing import NDArray

from baulk.ingest import sensors
from baulk.ingest.exchange.csv_file import Row, Sheet
from baulk.ingest.exchange.reading_rows import (
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
from baulk.ingest.register.register import Attachments
from baulk.ingest.wire import units as wire_units
from baulk.ingest.wire.logger_columns import Logger
from baulk.models.reading import AT_LEAST, Series, sensor_flag


def placed(
    block: Block,
    sensor: str,
    known: Attachments,
    arrived_utc: datetime,
    *,
    zone: tzinfo | None = None,
) -> tuple[list[Block], Iterator[tuple[int, str]]]:
    """Part the readings of a moving sensor by where it was.

    Parameters
    ----------
    block : Block
        Its readings, under its own name.
    sensor : str
        Its name.
    known : Attachments
        Where it was, as the register has it.
    arrived_utc : datetime
        Now.
    zone : tzinfo, optional
        By whose clock a sentence tells when a reading was taken.

    Returns
    -------
    blocks : list of Block
        One for each timber, depth and face.
    unassigned : iterator of (int, str)
        Index into the block and why, of readings from when it was on nothing.
    """
    groups: dict[Series, list[int]] = {}
    flags: dict[int, tuple[str, ...]] = {}
    unassigned: list[tuple[int, str]] = []
    marked = Block(
        series=block.series,
        lines=block.lines,
        taken_us=block.taken_us,
        values=block.values,
        flags={n: (*block.flags.get(n, ()), sensor_flag(sensor)) for n in range(len(block.taken_us))},
    )
    for n in range(len(block.taken_us)):
        one = marked.reading(n, arrived_utc)
        there = sensors.place(one, known)
        if there is None:
            unassigned.append((n, sensors.why_not_words(one, known, zone=zone)))
        else:
            groups.setdefault(there.series, []).append(n)
            flags[n] = there.flags
    blocks = []
    for series, index in groups.items():
        at = np.array(index, dtype=np.int64)
        blocks.append(
            Block(
                series=series,
                lines=block.lines[at],
                taken_us=block.taken_us[at],
                values=block.values[at],
                flags={k: flags[n] for k, n in enumerate(index)},
            )
        )
    return blocks, iter(unassigned)


def _nothing(series: Series, values: NDArray[np.float64]) -> tuple[tuple[int, str], ...]:  # noqa: ARG001
    """Say nothing of a sensor that moves: its place has been looked at when it was attached."""
    return ()


class WideForm:
    """A data logger's file: one row a time, one column a series.

    Parameters
    ----------
    sheet : Sheet
        The file.
    logger : Logger
        What its columns are.
    tag : callable
        Gives a tag as the register writes it.
    can : callable
        Says what can't be of its timber.
    known : Attachments
        Where the sensors were that move between timbers.
    zone : tzinfo, optional
        By whose clock sentences tell a moment; this machine's if left out.
    """

    def __init__(  # noqa: PLR0913 - what a file is read with
        self, sheet: Sheet, logger: Logger, tag: Tag, can: Can, known: Attachments, *,
        zone: tzinfo | None = None,
    ) -> None:  # fmt: skip
        self._sheet, self._logger, self._can, self._known = sheet, logger, can, known
        self._shop_zone = zone
        self._time = sheet.index(logger.time)
        self._columns = [
            (
                sheet.index(each.heading),
                each,
                each.parsed if each.sensor is not None else owned(each.parsed, tag),
                each.scale,
            )
            for each in logger.columns
        ]

    def parse(self, rows: Sequence[Row], now_utc: datetime) -> Parsed:
        """Read some rows; a cell that is empty is no reading, one that is wrong spoils no other."""
        taken = Taken(rows, self._time, self._logger.times, now_utc, self._logger.time)
        lines = np.array([row.line for row in taken.rows], dtype=np.int64)
        blocks, refused, blank = [], taken.refused, 0
        for at, said, series, scale in self._columns:
            texts = [row.cells[at] for row in taken.rows]
            values, reasons = numbers(texts, scale, comma=self._sheet.decimal_comma)
            ended = {
                n: pct
                for n in reasons
                if (pct := wire_units.at_least(series.quantity, texts[n], scale)) is not None
            }
            for n, pct in ended.items():
                values[n] = pct
                del reasons[n]
            there = np.array([bool(text) for text in texts], dtype=bool)
            blank += int((~there).sum())
            reasons.update(impossible(series, values, self._can if said.sensor is None else _nothing))
            for n, why in reasons.items():
                if there[n]:
                    row = taken.rows[n]
                    refused.append(Refused(line=row.line, reason=why, column=said.heading, cells=row.cells))
            keep = there.copy()
            keep[list(reasons)] = False
            block = Block(
                series=series,
                lines=lines[keep],
                taken_us=taken.taken_us[keep],
                values=values[keep],
                flags={k: (AT_LEAST,) for k, n in enumerate(np.flatnonzero(keep).tolist()) if n in ended},
            )
            if said.sensor is None:
                blocks.append(block)
                continue
            found, unassigned = placed(block, said.sensor, self._known, now_utc, zone=self._shop_zone)
            blocks += found
            whole = [taken.rows[n] for n in np.flatnonzero(keep)]
            refused += [
                Refused(line=whole[n].line, reason=why, column=said.heading, cells=whole[n].cells)
                for n, why in unassigned
            ]
        blocks = [block for block in blocks if len(block.taken_us)]
        refused.sort(key=lambda each: each.line)
        return Parsed(blocks=tuple(blocks), refused=tuple(refused), rows=len(rows), blank=blank)
