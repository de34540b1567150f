"""Where a timber comes from and what it is meant for: `baulk timber source`."""

# ruff: noqa: PLR0913 - a person names the options one by one
from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Annotated, Final

import typer

from baulk.dashboard.commands.answers import HERE, JsonOption, ShopOption
from baulk.dashboard.commands.event_entry import enter
from baulk.dashboard.commands.options import At, By, Note, TagArgument, Yes
from baulk.models.timber import EventKind, Value

Word = str | None


def source(
    tag: TagArgument,
    *,
    supplier: Annotated[Word, typer.Option(help="Whom it was bought from.")] = None,
    log: Annotated[Word, typer.Option(help="The log that it was sawn from.")] = None,
    lot: Annotated[Word, typer.Option(help="What came together.")] = None,
    felled: Annotated[Word, typer.Option(help="Day on which the tree was felled: 2026-01-14.")] = None,
    grade: Annotated[Word, typer.Option(help="As whoever graded it says.")] = None,
    cost: Annotated[Word, typer.Option(help="What it cost.")] = None,
    part: Annotated[Word, typer.Option(help="What it is meant for: stem, sill.")] = None,
    vessel: Annotated[Word, typer.Option(help="The vessel or frame that it is for.")] = None,
    at: At = "now",
    by: By = "",
    note: Note = "",
    yes: Yes = False,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Note where a timber comes from and what it is meant for; name what you know.

    Example: baulk timber source FER-03 --supplier "the mill at the weir" --felled 2026-01-14 --part stem
    """
    given = {
        "supplier": supplier, "log": log, "lot": lot, "felled": felled, "grade": grade, "cost": cost,
        "part": part, "vessel": vessel,
    }  # fmt: skip
    detail: dict[str, Value] = {name: word for name, word in given.items() if word}
    enter(tag, EventKind.SOURCED, detail, at=at, by=by, note=note, shop=shop, json=json, yes=yes)


COMMANDS: Final[Mapping[str, Callable[..., None]]] = {"source": source}
