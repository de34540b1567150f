"""Verdicts from the command line: `baulk verdict`."""

from __future__ import annotations

import json as reader
from datetime import UTC, datetime
from importlib import import_module
from pathlib import Path
from typing import Annotated, Any

import typer

from baulk.dashboard.commands.answers import HERE, JsonOption, ShopOption, say, say_json, table
from baulk.ingest import shop as shops
from baulk.ingest.shop import Shop
from baulk.models import units
from baulk.models.errors import OutOfRange
from baulk.models.timber import Timber
from baulk.models.wording import share

SHOWN = (
    "made_utc",
    "failed",
    "core_now_pct",
    "mean_now_pct",
    "shell_now_pct",
    "calibration",
    "movement",
    "checking",
    "verdict",
)


def verdict(  # noqa: PLR0913 - one an option
    tags: Annotated[
        list[str] | None, typer.Argument(help="Tags; without any, every timber.", metavar="[TAG]...")
    ] = None,
    *,
    below: Annotated[
        float | None,
        typer.Option(
            metavar="PERCENT", help="Say instead when a part comes down to this MC.", min=1, max=200
        ),
    ] = None,
    where: Annotated[
        str | None,
        typer.Option(
            metavar="PART",
            help="With --below: mean, shell, core, or a depth as 45mm or 2in.",
            show_default="core",
        ),
    ] = None,
    by: Annotated[
        str | None, typer.Option(metavar="DATE", help="With --below: how sure it is by that date.")
    ] = None,
    held: Annotated[
        str | None,
        typer.Option(metavar="AIR", help="With --below: if the shop holds this air from now on, as 18C,65."),
    ] = None,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Say of each timber: leave it, rough it out, or square it; when, how sure, and why.

    It shows what was last worked out; `baulk forecast` works it out anew. With --below it works the timber
    out on the spot, in the usual air of the season or in air that is held, and keeps nothing.
    """
    if below is not None:
        _below(shop, tags, (below, where or "core", held, by), json=json)
        return
    for name, given in (("--where", where), ("--by", by), ("--held", held)):
        if given is not None:
            raise OutOfRange(name, "needs --below: the moisture content to come down to")
    with shops.open(shop) as opened:
        timbers = [opened.register.get(tag) for tag in tags] if tags else opened.register.list()
        found = [(timber, _evaluation(opened, timber.tag)) for timber in timbers]
        system = opened.config.shop.units
    if json:
        say_json([{"tag": timber.tag, **(answer or {"verdict": None})} for timber, answer in found])
        return
    table(
        "Verdicts",
        ("tag", "species", "green", "mean MC", "core MC", "verdict", "square from", "sure by"),
        [_row(timber, answer, system) for timber, answer in found],
    )
    for timber, answer in found:
        if answer is not None and "failed" in answer:
            say(f"\n{timber.tag}: {answer['failed']}")
        elif answer is not None:
            say("")
            say(f"{timber.tag}: {_step(answer['verdict'])}")
            for reason in answer["verdict"]["reasons"]:
                say(f"  - {reason}")
            say(f"  next: {answer['verdict']['next_reading']}")


def _below(
    shop: Path, tags: list[str] | None, asked: tuple[float, str, str | None, str | None], *, json: bool
) -> None:
    """Say when; what works timbers out is loaded only here."""
    reaching, reach = (
        import_module(f"baulk.{each}") for each in ("dashboard.commands.reaching", "ingest.evaluation.reach")
    )
    now_utc = datetime.now(UTC)
    below, where, held, by = asked
    air = None if held is None else reaching.held_air(held)
    by_utc = None if by is None else reaching.date_ahead(by, now_utc)
    with shops.open(shop) as opened:
        system = opened.config.shop.units
        depth = reaching.place(where, system)
        found = [
            reach.reaching(opened, tag, now_utc, below_pct=below, where=depth, held=air, by_utc=by_utc)
            for tag in tags or [each.tag for each in opened.register.list()]
        ]
    if json:
        say_json(found)
        return
    for each in found:
        say(reaching.sentence(each, now_utc, system))


def _evaluation(opened: Shop, tag: str) -> dict[str, Any] | None:
    stored = opened.store.evaluation(tag)
    if stored is None:
        return None
    answer: dict[str, Any] = reader.loads(stored[1])
    return {name: answer[name] for name in SHOWN if name in answer}


def _row(timber: Timber, answer: dict[str, Any] | None, system: units.System) -> tuple[str, ...]:
    section = timber.section
    first = (timber.tag, timber.species, units.show_size(section.width_mm, section.depth_mm, system))
    if answer is None or "failed" in answer:
        return (*first, "-", "-", "no verdict" if answer else "not worked out yet", "-", "-")
    judged = answer["verdict"]
    when = judged["dates"].get("square")
    sure = judged["probability"].get("square")
    return (
        *first,
        _spread(answer["mean_now_pct"]),
        _spread(answer["core_now_pct"]),
        _step(judged),
        f"{datetime.fromisoformat(when):%Y-%m-%d}" if when else "not in sight",
        "-" if sure is None else share(sure),
    )


def _step(judged: dict[str, Any]) -> str:
    return f"contradiction, {judged['step']}" if judged.get("contradiction") else str(judged["step"])


def _spread(value: dict[str, float]) -> str:
    return f"{value['median']:.0f} % ({value['low']:.0f} to {value['high']:.0f})"
