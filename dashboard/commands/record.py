"""The drying record from the command line: `baulk record`."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from baulk.dashboard import words
from baulk.dashboard.commands.answers import HERE, JsonOption, ShopOption, say, say_json
from baulk.dashboard.commands.options import MaybeOut, TagArgument
from baulk.dashboard.printing import record, record_data, style
from baulk.ingest import shop as shops


def print_record(
    tag: TagArgument,
    *,
    paper: Annotated[str | None, typer.Option(help="a4 or letter; else by the shop's units.")] = None,
    out: MaybeOut = None,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Print a timber's drying record: identity, history, readings, moisture inside, forecast, verdict.

    It is a PDF: TAG.pdf without -o.

    Example: baulk record FER-03 -o FER-03.pdf
    """
    with shops.open(shop) as opened:
        words.keep_to(opened.config.zone)
        found = record_data.record(opened, tag, datetime.now(UTC))
    size = paper or ("letter" if found.system == "inch" else "a4")
    path = out or Path(f"{found.timber.tag}.pdf")
    style.write(path, record.pdf(found, paper=size))
    if json:
        say_json({"file": path, "tag": found.timber.tag, "readings": len(found.readings)})
    else:
        say(f"The record of {found.timber.tag} is in {path}")
