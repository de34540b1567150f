"""What the program knows of itself: `baulk doctor`."""

from __future__ import annotations

from collections import Counter
from importlib.metadata import version
from typing import Annotated

import typer

from baulk.dashboard.commands.answers import JsonOption, say, say_json, table
from baulk.models import sources


def doctor(
    *,
    list_sources: Annotated[
        bool, typer.Option("--sources", help="List every number that was not read in a published source.")
    ] = False,
    json: JsonOption = False,
) -> None:
    """Say where the numbers come from, and which of them nobody has looked up.

    A value is "read" (seen in its source), "read (secondary)" (seen in a quotation or transcription),
    "computed" from such, or not read: "memory", or "common practice" without a source. --sources
    lists those not read.

    Example: baulk doctor --sources
    """
    unread, counted = sources.not_read(), Counter(each.mark for each in sources.every())
    if json:
        answer = {"version": version("baulk"), "values": dict(counted)}
        say_json(answer | ({"not_read": unread} if list_sources else {}))
        return
    if list_sources:
        table(
            f"{len(unread)} values not read in a published source",
            ("table", "name", "quantity", "value", "mark", "why"),
            [
                (
                    each.table.removesuffix(".csv"),
                    each.name,
                    each.quantity,
                    each.value if each.unit == "-" else f"{each.value} {each.unit}",
                    each.mark,
                    each.source,
                )
                for each in unread
            ],
        )
    total = sum(counted.values())
    say(
        f"baulk {version('baulk')}: {total} values, "
        + ", ".join(f"{n} {m}" for m, n in counted.most_common())
    )
    if not list_sources:
        say(f"{len(unread)} of them were not read in a published source; --sources lists them")
