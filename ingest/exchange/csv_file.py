"""A CSV file as it comes: its encoding, its separator, the line with its headings, its rows by line number.

Read as a stream, so that a file of any length takes no more memory than a few thousand of its rows.
"""

from __future__ import annotations

import codecs
import csv
import io
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import IO, Final

from baulk.ingest.errors import ExchangeError
from baulk.models.formatting import bare_cell

SEPARATORS: Final = (",", ";", "\t")
CHUNK: Final = 20_000  # rows
_HEAD_LINES: Final = 100  # a logger's own words before its headings are no more than this
_BLOCK: Final = 1 << 20
_NO_TEXT: Final = (
    (b"PK\x03\x04", "is a spreadsheet's own file or a zip; save the sheet as CSV first"),
    (b"\xd0\xcf\x11\xe0", "is an old spreadsheet's own file; save the sheet as CSV first"),
    (b"PAR1", "is Parquet; bring in the CSV that `baulk export` writes"),
    (b"%PDF", "is a PDF; save the table as CSV first"),
)

Source = Path | bytes  # a file, or what a page was handed
Wanted = Callable[[frozenset[str]], bool]  # whether these headings, as `folded`, are the ones looked for


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One row that holds something.

    Parameters
    ----------
    line : int
        Number of its last line in the file, counted from 1.
    cells : tuple of str
        As many as there are headings, without blanks around them.
    reason : str
        Why it can't be read as a row of this table; empty if it can.
    """

    line: int
    cells: tuple[str, ...]
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """A CSV file whose headings were found.

    Parameters
    ----------
    source : Path or bytes
        Where its rows come from; gone through anew each time.
    name : str
        What it is called in sentences.
    encoding, separator : str
        As found.
    headings : tuple of str
        As they stand there.
    line : int
        The line of the headings, counted from 1.
    """

    source: Source
    name: str
    encoding: str
    separator: str
    headings: tuple[str, ...]
    line: int

    @property
    def decimal_comma(self) -> bool:
        """Whether a comma in a number is its decimal mark."""
        return self.separator == ";"

    @property
    def notes(self) -> tuple[str, ...]:
        """What a person should know of how it was read."""
        if self.encoding != "cp1252":
            return ()
        words = (
            "it is not UTF-8 and was read as Windows-1252; if letters look wrong, save it as UTF-8 and bring "
            "it again"
        )
        return (words,)

    @property
    def size(self) -> int:
        """How many bytes it has."""
        return len(self.source) if isinstance(self.source, bytes) else self.source.stat().st_size

    def index(self, heading: str) -> int:
        """Say where a heading stands.

        Raises
        ------
        ExchangeError
            If it is not there, or twice.
        """
        asked = folded(heading)
        found = [n for n, each in enumerate(self.headings) if folded(each) == asked]
        if not found:
            there = ", ".join(filter(None, self.headings))
            raise ExchangeError(f"{self.name} has no column {heading!r}; its columns: {there}")
        if len(found) > 1:
            raise ExchangeError(f"{self.name} has the column {heading!r} {len(found)} times; rename one")
        return found[0]

    def rows(self, told: Callable[[int], None] = lambda _: None) -> Iterator[Row]:
        """Give every row that is not blank; ``told`` hears how many bytes were read so far."""
        wide = len(self.headings)
        with (
            _opened(self.source, self.name) as raw,
            io.TextIOWrapper(raw, self.encoding, newline="") as text,
        ):
            lines = csv.reader(text, delimiter=self.separator)
            try:
                for count, cells in enumerate(lines):
                    if count % 1000 == 0:
                        told(raw.tell())
                    if lines.line_num <= self.line or not any(map(str.strip, cells)):
                        continue
                    yield _row(lines.line_num, cells, wide)
            except csv.Error as err:
                raise ExchangeError(
                    f"{self.name}, line {lines.line_num}: a quotation mark is opened and never closed, "
                    f"or the line is no text ({err})"
                ) from err
            told(raw.tell())

    def chunks(
        self, told: Callable[[int], None] = lambda _: None, *, size: int = CHUNK
    ) -> Iterator[list[Row]]:
        """Give the rows some thousands at a time."""
        rows = self.rows(told)
        while chunk := list(islice(rows, size)):
            yield chunk


def folded(heading: str) -> str:
    """Give a heading as it is compared: small letters, one blank for a dash, an underscore or several."""
    return " ".join(heading.replace("_", " ").replace("-", " ").lower().split())


def open_sheet(source: Source, wanted: Wanted, *, name: str | None = None, looked_for: str) -> Sheet:
    """Find out how a CSV file is written and where its headings are.

    Parameters
    ----------
    source : Path or bytes
        The file.
    wanted : callable
        Knows its headings when it sees them: the first line that it takes counts.
    name : str, optional
        What it is called in sentences; the file's name if left out.
    looked_for : str
        Which headings that would be, in words.

    Raises
    ------
    ExchangeError
        If it can't be read, is no text, or has no such headings.
    """
    name = name or (source.name if isinstance(source, Path) else "the file")
    encoding = _encoding(source, name)
    with _opened(source, name) as raw, io.TextIOWrapper(raw, encoding, newline="") as text:
        lines = list(islice(text, _HEAD_LINES))
    if not any(each.strip() for each in lines):
        raise ExchangeError(f"{name} is empty")
    best: Sheet | None = None
    for separator in SEPARATORS:
        for number, cells in _head(lines, separator):
            names = frozenset(folded(each) for each in cells)
            if wanted(names) and (best is None or len(cells) > len(best.headings)):
                best = Sheet(
                    source=source,
                    name=name,
                    encoding=encoding,
                    separator=separator,
                    headings=tuple(bare_cell(each.strip()) for each in cells),
                    line=number,
                )
                break
    if best is not None:
        return best
    first = max((next(_head(lines, separator), (0, []))[1] for separator in SEPARATORS), key=len, default=[])
    shown = ", ".join(each.strip() for each in first[:12] if each.strip())
    raise ExchangeError(
        f"{name} has no line with {looked_for} as headings; its first line says: {shown[:300]}"
    )


def _head(lines: list[str], separator: str) -> Iterator[tuple[int, list[str]]]:
    """Give the first lines as cells; a quotation mark left open ends them."""
    reader = csv.reader(lines, delimiter=separator)
    try:
        for cells in reader:
            if any(map(str.strip, cells)):
                yield reader.line_num, cells
    except csv.Error:
        return


def _row(line: int, cells: list[str], wide: int) -> Row:
    cut = [
        bare_cell(each.replace("\r", " ").replace("\n", " ").strip()) for each in cells
    ]  # a reason is one line
    while len(cut) > wide and not cut[-1]:
        cut.pop()
    reason = "" if len(cut) <= wide else f"has {len(cut)} cells for {wide} columns; put quotation marks in"
    return Row(line=line, cells=tuple(cut + [""] * (wide - len(cut))), reason=reason)


def _opened(source: Source, name: str) -> IO[bytes]:
    if isinstance(source, bytes):
        return io.BytesIO(source)
    try:
        if not source.is_file():
            raise ExchangeError(f"there is no file {source}")
        return source.open("rb")
    except OSError as err:
        raise ExchangeError(f"{name} can't be read: {err.strerror}") from err


def _encoding(source: Source, name: str) -> str:
    with _opened(source, name) as raw:
        start = raw.read(_BLOCK)
        for mark, what in _NO_TEXT:
            if start.startswith(mark):
                raise ExchangeError(f"{name} {what}")
        wide = start.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
        if b"\0" in start and not wide:
            raise ExchangeError(f"{name} is no text file; save the table as CSV first")
        for encoding in ("utf-16",) if wide else ("utf-8-sig", "cp1252"):
            raw.seek(0)
            if _decodes(raw, encoding):
                return encoding
    raise ExchangeError(
        f"{name} is neither UTF-8 nor Windows-1252 text that can be read; save it as CSV in UTF-8"
    )


def _decodes(raw: IO[bytes], encoding: str) -> bool:
    decoder = codecs.getincrementaldecoder(encoding)()
    try:
        while block := raw.read(_BLOCK):
            decoder.decode(block)
        decoder.decode(b"", final=True)
    except UnicodeDecodeError:
        return False
    return True
