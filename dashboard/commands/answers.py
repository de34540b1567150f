"""How every command takes its shop and gives its answer: a table for people, JSON for programs."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import fields, is_dataclass
from datetime import date, datetime, tzinfo
from enum import Enum
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import typer
from rich.console import Console
from rich.table import Table

from baulk.ingest.errors import NoSuchHour
from baulk.models import text
from baulk.models.errors import OutOfRange
from baulk.models.reason import Reason
from baulk.models.units import System

ShopOption = Annotated[
    Path,
    typer.Option("--shop", envvar="BAULK_SHOP", help="The shop folder, made by `baulk init`.", metavar="DIR"),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Answer in JSON; keys are the names of the fields.")]
HERE = Path()


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
    if isinstance(value, Enum | datetime | date | np.ndarray | np.generic | bytes | Path):
        return _plain_word(value)
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
        return text.sentence(value, system)
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
    if isinstance(value, np.ndarray | np.generic):
        return value.tolist()
    return value.decode("utf-8", "backslashreplace") if isinstance(value, bytes) else str(value)


def console() -> Console:
    """Return a console on standard output, made anew so that a changed output is seen."""
    return Console(highlight=False, soft_wrap=False)


def say(text: str) -> None:
    """Print one line, as it is."""
    console().print(text, markup=False, soft_wrap=True)


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
    drawn = Table(title=title, title_justify="left", header_style="bold", expand=False)
    for heading in columns:
        drawn.add_column(heading, overflow="fold")
    for row in rows:
        drawn.add_row(*[_unmarked(word) for word in row])
    console().print(drawn)


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


def _unmarked(word: str) -> str:
    return word.replace("[", r"\[")
