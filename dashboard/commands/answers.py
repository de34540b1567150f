"""How every command takes its shop and gives its answer: a table for people, JSON for programs."""

from __future__ import annotations

import json
import os
import re
import shutil
import sys
import textwrap
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from dataclasses import fields, is_dataclass
from datetime import date, datetime, tzinfo
from enum import Enum
from itertools import zip_longest
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final, TypeVar

import typer

from baulk.ingest.errors import NoSuchHour, Unlikely
from baulk.models.errors import OutOfRange
from baulk.models.formatting import count
from baulk.models.reason import Reason
from baulk.models.units import System

if TYPE_CHECKING:
    from rich.console import Console

ShopOption = Annotated[
    Path,
    typer.Option("--shop", envvar="BAULK_SHOP", help="The shop folder, made by `baulk init`.", metavar="DIR"),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Answer in JSON; keys are the names of the fields.")]
NewPlaceOption = Annotated[
    bool, typer.Option("--new-place", help="The place is new; without this a name nobody entered is refused.")
]
HERE = Path()
counted: Final = count
_LONGEST_WORD = 24  # what is longer, as a topic, may be broken
_READ_WIDE = 100  # columns: longer lines are hard to read
_BETWEEN = 2  # columns
_NO_SCREEN = 80  # columns, where there is none
_MARK = re.compile(r"\s*(?:[-*] |\d+\. )?")  # of a list's item
_COMMAND = re.compile(r"(?<=: )baulk .*$")  # at the end of a sentence
_MAY_BE_WIDE: Final = "\u0300"  # every letter before it takes one column
_BREAK = re.compile(r"\s+|(?<=[A-Za-z]-)(?=[A-Za-z]{2})")  # where `textwrap` breaks
_Entered = TypeVar("_Entered")


def plain(value: Any) -> Any:  # noqa: ANN401 - anything in, what JSON knows out
    """Turn dataclasses, times and arrays into what JSON knows.

    Parameters
    ----------
    value : object
        A dataclass, mapping, sequence, array, time, path or plain value.

    Returns
    -------
    object
        Dictionaries, lists, text and numbers; a dataclass gives its fields by name.
    """
    if isinstance(value, Enum | datetime | date | bytes | Path):
        return _plain_word(value)
    if callable(listed := getattr(value, "tolist", None)):  # an array, or a number out of one
        return listed()
    if is_dataclass(value) and not isinstance(value, type):
        return {each.name: plain(getattr(value, each.name)) for each in fields(value)}
    if isinstance(value, dict):
        return {str(plain(key)): plain(each) for key, each in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [plain(each) for each in value]
    return value


def worded(value: Any, system: System) -> Any:  # noqa: ANN401 - as `plain`
    """Return as `plain` does, with each reason in words; what it says in code stands beside it.

    Parameters
    ----------
    value : object
        As for `plain`.
    system : {"inch", "metric"}
        The reader's units.

    Returns
    -------
    object
        A field that holds reasons gives their sentences, and `<field>_coded` their codes and values.
    """
    if isinstance(value, Reason):
        from baulk.dashboard import words  # noqa: PLC0415 - slow to load, and most commands word nothing
        from baulk.models import text  # noqa: PLC0415

        return text.sentence(value, system, zone=words.zone())
    if is_dataclass(value) and not isinstance(value, type):
        found = {}
        for each in fields(value):
            held = getattr(value, each.name)
            found[each.name] = worded(held, system)
            if "Reason" in str(each.type):
                found[f"{each.name}_coded"] = plain(held)
        return found
    if isinstance(value, dict):
        return {str(plain(key)): worded(each, system) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [worded(each, system) for each in value]
    return plain(value)


def _plain_word(value: Any) -> Any:  # noqa: ANN401
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, datetime | date):
        return value.isoformat()
    return value.decode("utf-8", "backslashreplace") if isinstance(value, bytes) else str(value)


def console() -> Console:
    """Return a console on standard output, made anew so that a changed output is seen."""
    from rich.console import Console  # noqa: PLC0415 - a sentence and JSON need none

    return Console(highlight=False, soft_wrap=False)


def say(text: str) -> None:
    """Print text; on a screen its lines are broken between words and set in behind their mark.

    What goes into a file or another program keeps its lines whole, so that they can be searched.
    """
    screen = sys.stdout.isatty()
    if screen or "COLUMNS" in os.environ:
        wide = min(_width(), _READ_WIDE) if screen else _width()
        text = "\n".join(line if _cells(line) <= wide else _broken(line, wide) for line in text.split("\n"))
    typer.echo(text)


def _width() -> int:
    """Return how wide the screen is; where the answer goes elsewhere, the one that it was asked on."""
    if not os.environ.get("COLUMNS", "").isdecimal():
        for stream in (1, 2, 0):
            with suppress(OSError):
                return os.get_terminal_size(stream).columns or _NO_SCREEN
    return shutil.get_terminal_size((_NO_SCREEN, 0)).columns


def _cells(line: str) -> int:
    """Return how many columns of a screen a line takes; some letters take two or none."""
    if all(each < _MAY_BE_WIDE for each in line):
        return len(line)
    from rich.cells import cell_len  # noqa: PLC0415 - tables and far alphabets alone need it

    return cell_len(line)


def _broken(line: str, wide: int) -> str:
    if command := _COMMAND.search(line):  # to be copied: whole, on a line of its own
        return f"{_broken(line[: command.start()].rstrip(), wide)}\n  {command[0]}"
    mark = _MARK.match(line)
    behind = " " * (mark.end() if mark else 0)
    return textwrap.fill(line, wide, subsequent_indent=behind, break_long_words=False, break_on_hyphens=False)


def say_item(text: str, *, mark: str = "-") -> None:
    """Print a sentence of a list, its lines broken between words and set in behind its mark."""
    first = f"  {mark} "
    wide = min(_width(), _READ_WIDE)
    say(textwrap.fill(text, wide, initial_indent=first, subsequent_indent=" " * len(first)))


def say_json(value: Any) -> None:  # noqa: ANN401 - anything that `plain` takes
    """Print an answer as JSON."""
    typer.echo(json.dumps(plain(value), indent=2, ensure_ascii=False))


def table(title: str, columns: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    """Print rows under headings.

    Parameters
    ----------
    title : str
        Stands above the table.
    columns : sequence of str
        Headings.
    rows : iterable of sequence of str
        As many words each as there are headings.
    """
    cells, screen = [tuple(row) for row in rows], sys.stdout.isatty() and os.environ.get("TERM") != "dumb"
    slanted, bold, end = ("\x1b[3m", "\x1b[1m", "\x1b[0m") if screen and os.name == "posix" else ("", "", "")
    wide = _widths([columns, *cells], _width())
    lines = [f"{slanted}{line}{end}" for each in title.split("\n") for line in _lines(each, _width())]
    lines += [f"{bold}{line}{end}" for line in _side_by_side(columns, wide)]
    lines.append("─" * (sum(wide) + _BETWEEN * (len(wide) - 1)))
    lines += [line for row in cells for line in _side_by_side(row, wide)]
    typer.echo("\n".join(lines))


def _side_by_side(row: Sequence[str], wide: Sequence[int]) -> list[str]:
    """Return the lines of a row, each cell in its column."""
    cells = [_lines(cell, width) for cell, width in zip(row, wide, strict=True)]
    between = " " * _BETWEEN
    return [
        between.join(
            part + " " * (width - _cells(part)) for part, width in zip(parts, wide, strict=True)
        ).rstrip()
        for parts in zip_longest(*cells, fillvalue="")
    ]


def _lines(cell: str, width: int) -> list[str]:
    """Break a cell between words, in a word at its hyphens, and where that is not enough anywhere."""
    wrapped = [part for line in cell.splitlines() for part in (textwrap.wrap(line, width) or [""])]
    return [part for line in wrapped for part in _folded(line, width)] or [""]


def _folded(line: str, width: int) -> list[str]:
    """Break a line whose letters take more room than one column each."""
    parts = [""]
    for letter in line if _cells(line) > width else ():
        if parts[-1] and _cells(parts[-1] + letter) > width:
            parts.append("")
        parts[-1] += letter
    return parts if parts[-1] else [line]


def stamp(at_utc: datetime | None, zone: tzinfo | None) -> str:
    """Return a moment by the shop's clock, as `--at` takes it; empty without one."""
    return "" if at_utc is None else f"{at_utc.astimezone(zone):%Y-%m-%d %H:%M}"


def _widths(rows: Sequence[Sequence[str]], width: int) -> list[int]:
    """Give each column room for its words first, then whole lines to as many as can have them."""
    columns = list(zip(*rows, strict=True))
    whole = [max(_cells(line) for cell in each for line in cell.split("\n")) for each in columns]
    words = [max(_cells(word) for cell in each for word in _BREAK.split(cell)) for each in columns]
    found = [max(1, min(each, _LONGEST_WORD)) for each in words]
    room = width - _BETWEEN * (len(columns) - 1) - sum(found)
    while room < 0 and max(found) > 1:  # nothing for it: a word is broken, in the widest column
        found[found.index(max(found))] -= 1
        room += 1
    if found and room > 0:  # what a row is about reads badly a word a line
        first = max(0, min(whole[0] - found[0], room // 2))
        found[0] += first
        room -= first
    for i in sorted(range(len(columns)), key=lambda i: whole[i] - found[i]):
        more = max(0, min(whole[i] - found[i], room))
        found[i] += more
        room -= more
    return found


def moment(text: str, *, now_utc: datetime, zone: tzinfo | None = None) -> datetime:
    """Read a time as a person writes it; without a zone it is the shop's.

    Parameters
    ----------
    text : str
        "now", "2026-11-25" or "2026-11-25 14:30", with or without a zone.
    now_utc : datetime
        The present.
    zone : tzinfo, optional
        The shop's zone; this machine's if left out.

    Returns
    -------
    datetime
        In UTC.

    Raises
    ------
    OutOfRange
        If it is not a time, lies in the future, or in an hour that is not or comes twice.
    """
    if text.strip().lower() == "now":
        return now_utc
    from baulk.ingest.wire import zone as clock_on_the_wall  # noqa: PLC0415 - most commands take no time

    try:
        at_utc = clock_on_the_wall.written(text, zone, now_utc)
    except NoSuchHour as err:
        raise OutOfRange("the time", str(err).removeprefix("the time ")) from err
    except (ValueError, OverflowError) as err:
        raise OutOfRange("the time", f"looks like 2026-11-25 or '2026-11-25 14:30', not {text!r}") from err
    if at_utc > now_utc:
        raise OutOfRange("the time", f"{text!r} lies in the future; check the date")
    return at_utc


def unless_unlikely(
    enter: Callable[[bool], _Entered], *, yes: bool, unless: str = "Nothing was entered"
) -> _Entered:
    """Enter something; what is unlikely is said back and wants --yes, or a yes on a terminal.

    Parameters
    ----------
    enter : callable
        Takes whether the person is sure.
    yes : bool
        Whether --yes was said.
    unless : str
        What did not happen without it.

    Raises
    ------
    Unlikely
        If nobody said that it is right; nothing was entered then.
    """
    try:
        return enter(yes)
    except Unlikely as err:
        if (
            err.option == "--yes"
            and sys.stdin.isatty()
            and typer.confirm(f"{err} Is it right?", default=False, err=True)
        ):
            return enter(True)  # noqa: FBT003 - the answer itself
        why = f"{err} {unless}; if it is right, say it again with {err.option}"
        raise Unlikely(why, err.option) from err
