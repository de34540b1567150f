"""How every command takes its shop and gives its answer: a table for people, JSON for programs."""

from __future__ import annotations

import json
import os
import re
import shutil
import sys
import textwrap
from collections.abc import Callable, Iterable, Sequence
from dataclasses import fields, is_dataclass
from datetime import date, datetime, tzinfo
from enum import Enum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final, TypeVar

import typer

from baulk.ingest.errors import NoSuchHour, Unlikely
from baulk.models.errors import OutOfRange
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
_LONGEST_WORD = 24  # what is longer, as a topic, may be broken
_READ_WIDE = 100  # columns: longer lines are hard to read
_BETWEEN = 2  # columns
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
    return shutil.get_terminal_size().columns


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
    from rich import box  # noqa: PLC0415 - a sentence and JSON need none
    from rich.table import Table  # noqa: PLC0415

    cells, out = [tuple(row) for row in rows], console()
    drawn = Table(
        title=title,
        title_justify="left",
        header_style="bold",
        box=box.SIMPLE_HEAD,
        show_edge=False,
        pad_edge=False,
        padding=(0, 1, 0, 0),
    )
    wide = _widths([columns, *cells], out.width)
    for heading, width in zip(columns, wide, strict=True):
        drawn.add_column(heading, overflow="fold", width=width)
    for row in cells:
        drawn.add_row(*[_unmarked(_wrapped(cell, width)) for cell, width in zip(row, wide, strict=True)])
    out.print(drawn)


def counted(count: int, what: str) -> str:
    """Return how many of something, such as "1 timber" or "3 timbers"."""
    return f"{count} {what}{'' if count == 1 else 's'}"


def _wrapped(cell: str, width: int) -> str:
    """Break a cell between words, and in a word at its hyphens, before rich breaks it anywhere."""
    return "\n".join("\n".join(textwrap.wrap(line, width)) for line in cell.splitlines())


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


def _unmarked(word: str) -> str:
    return word.replace("[", r"\[")
