"""Forecasts and verdicts: `baulk forecast`."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated

import typer
from rich.console import Console
from rich.progress import track

from baulk.dashboard.commands.answers import HERE, JsonOption, ShopOption, say, say_json
from baulk.dashboard.commands.children import stop_signals
from baulk.ingest import evaluate
from baulk.ingest import shop as shops
from baulk.models.errors import BaulkError, OutOfRange


def forecast(
    tags: Annotated[
        list[str] | None,
        typer.Argument(help="Tags; without any, every timber that has news.", metavar="[TAG]..."),
    ] = None,
    *,
    watch: Annotated[
        bool, typer.Option("--watch", help="Keep at it until Ctrl-C: each timber anew when it has news.")
    ] = False,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Fit each timber's drying to its readings, look ahead, and judge it.

    `baulk verdict` shows the outcome.
    """
    if watch and (tags or json):
        raise OutOfRange("--watch", "takes every timber and answers on the pages; leave tags and --json away")
    with shops.open(shop) as opened:
        if watch:
            with stop_signals() as stop:
                evaluate.run_stale(opened, stop)
            return
        asked = [opened.register.get(tag).tag for tag in tags] if tags else opened.store.stale()
        done, failed = [], {}
        for tag in track(asked, "forecasts", console=Console(stderr=True), disable=not asked):
            try:
                evaluate.evaluate_and_save(opened, tag, datetime.now(UTC))
                done.append(tag)
            except BaulkError as err:
                failed[tag] = str(err)
    if json:
        say_json({"done": done, "failed": failed})
    else:
        say(f"{len(done)} of {len(asked)} timbers worked out anew" if asked else "no timber has news")
    if failed:
        raise OutOfRange(
            "not every timber",
            "could be worked out: " + "; ".join(map("{0[0]}: {0[1]}".format, failed.items())),
        )
