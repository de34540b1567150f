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
from baulk.ingest.errors import StoreError
from baulk.ingest.shop import Shop
from baulk.models.errors import BaulkError, OutOfRange

EVERY_S = 1.0


class NotWorkedOut(BaulkError):
    """Some timber has no verdict, and why."""


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
            _watch(opened)
            return
        asked = [opened.register.get(tag).tag for tag in tags] if tags else opened.store.stale()
        made = [
            evaluate.evaluate(tag, opened, datetime.now(UTC))
            for tag in track(asked, "forecasts", console=Console(stderr=True), disable=not asked)
        ]
    failed = {each.tag: each.failed for each in made if each.failed}
    if json:
        say_json({"done": [each.tag for each in made if not each.failed], "failed": failed})
    else:
        say(
            f"{len(made) - len(failed)} of {len(asked)} timbers worked out" if asked else "no timber has news"
        )
    if failed:
        why = "; ".join(f"{tag}: {reason}" for tag, reason in failed.items())
        raise NotWorkedOut(f"no verdict for {why}")


def _watch(opened: Shop) -> None:
    """Go round until somebody asks us to end; what is wrong with the store now may be right in a moment."""
    said = ""
    with stop_signals() as stop:
        while not stop.wait(EVERY_S):
            try:
                for tag in opened.store.stale():
                    if stop.is_set():
                        break
                    made = evaluate.evaluate(tag, opened, datetime.now(UTC))
                    say(f"{made.made_utc:%Y-%m-%d %H:%M:%S} UTC  {tag}  {made.failed or 'worked out'}")
                said = ""
            except StoreError as err:
                if str(err) != said:  # once, not every second
                    said = str(err)
                    say(said)
