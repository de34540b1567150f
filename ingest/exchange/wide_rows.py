"""A data logger's file as readings: one row a time, one column a series or a sensor that moves."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import numpy as np

from baulk.ingest.exchange.moving import placed
from baulk.ingest.exchange.reading_rows import Block, Parsed, Refused, Tag, Taken, impossible, numbers, owned
from baulk.ingest.exchange.sheet import Row, Sheet
from baulk.ingest.register.register import Attachments
from baulk.ingest.wire.logger_columns import Logger


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
    known : Attachments
        Where the sensors were that move between timbers.
    """

    def __init__(self, sheet: Sheet, logger: Logger, tag: Tag, known: Attachments) -> None:
        self._sheet, self._logger, self._known = sheet, logger, known
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
            there = np.array([bool(text) for text in texts], dtype=bool)
            blank += int((~there).sum())
            reasons.update(impossible(series, values))
            for n, why in reasons.items():
                if there[n]:
                    row = taken.rows[n]
                    refused.append(Refused(line=row.line, reason=why, column=said.heading, cells=row.cells))
            keep = there.copy()
            keep[list(reasons)] = False
            block = Block(
                series=series, lines=lines[keep], taken_us=taken.taken_us[keep], values=values[keep]
            )
            if said.sensor is None:
                blocks.append(block)
                continue
            found, homeless = placed(block, said.sensor, self._known, now_utc)
            blocks += found
            whole = [taken.rows[n] for n in np.flatnonzero(keep)]
            refused += [
                Refused(line=whole[n].line, reason=why, column=said.heading, cells=whole[n].cells)
                for n, why in homeless
            ]
        blocks = [block for block in blocks if len(block.taken_us)]
        refused.sort(key=lambda each: each.line)
        return Parsed(blocks=tuple(blocks), refused=tuple(refused), rows=len(rows), blank=blank)
