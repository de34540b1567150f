"""`baulk forecast` without --watch: once, by this process and those beside it."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

from baulk.dashboard.commands import forecast_turns
from baulk.dashboard.commands.answers import counted, moment, say, say_json
from baulk.ingest.evaluation import batch, standing, yard_memory
from baulk.ingest.evaluation.batch import Round
from baulk.ingest.evaluation.compute import Answered
from baulk.ingest.shop import Shop
from baulk.models.errors import BaulkError

Told = Callable[[Answered | None], None]


class NotWorkedOut(BaulkError):
    """Some timber has no verdict, and why."""


def forecast(  # noqa: PLR0913 - one an option
    opened: Shop,
    stop: threading.Event,
    tags: list[str] | None,
    *,
    everything: bool,
    again: bool,
    workers: int | None,
    cluster: str | None,
    at: str | None,
    json: bool,
) -> None:
    """Work out what is asked for, tell how far it is, and what came of it.

    Parameters
    ----------
    opened : Shop
        The open shop.
    stop : threading.Event
        Set when somebody asks us to end.
    tags, everything, again, workers, cluster, at, json
        As the command has them.

    Raises
    ------
    NotWorkedOut
        If a timber has no verdict, or it was stopped.
    """
    now = datetime.now(UTC)
    with forecast_turns.team_of(cluster) as team:
        if everything and at is None:
            yard_memory.refresh(opened, now)
        over = not tags and not everything and not again and at is None and standing.changed(opened)
        asked = forecast_turns.asked(opened, tags, everything=everything or again or at is not None)
        every = forecast_turns.asked(opened, None, everything=True) if over else []
        rest = [tag for tag in every if tag not in asked]
        began = time.monotonic()
        with _progress(len(asked) + len(rest)) as told:
            made = batch.run(
                opened,
                asked,
                now if at is None else moment(at, now_utc=now, zone=opened.config.zone),
                workers=workers,
                team=team,
                again=again or (not everything and at is None),
                past=at is not None,
                whole=everything or again or at is not None or bool(tags),
                done=told,
                stop=stop.is_set,
            )
            if rest and not made.stopped:  # what the changed settings do not touch is left as it is
                made.add(batch.run(
                    opened, rest, now, workers=workers, team=team, whole=False, done=told, stop=stop.is_set
                ))  # fmt: skip
        if (over or everything) and at is None and not made.stopped:
            standing.looked_over(opened)
        if everything and not made.stopped and at is None:
            found = forecast_turns.look_for_swaps(opened, now, workers, team, stop.is_set)
            for words in () if json else found:
                say(words)
        _answer(made, len(asked) + len(rest), time.monotonic() - began, json=json)


def _answer(made: Round, asked: int, seconds: float, *, json: bool) -> None:
    if json:
        say_json({**{name: getattr(made, name) for name in made.__slots__}, "seconds": round(seconds, 1)})
    elif not asked:
        say("no timber has news")
    else:
        still = f", {len(made.unchanged)} unchanged" if made.unchanged else ""
        say(f"{len(made.done)} of {counted(asked, 'timber')} evaluated{still}")
    if made.failed:
        of_reason: dict[str, list[str]] = {}
        for tag, reason in made.failed.items():
            of_reason.setdefault(reason, []).append(tag)
        why = "; ".join(f"{', '.join(tags)}: {reason}" for reason, tags in of_reason.items())
        raise NotWorkedOut(f"no verdict for {why}")
    if made.stopped:
        raise NotWorkedOut(
            f"stopped with {asked - made.size} still to do; the same command goes on with them"
        )


@contextmanager
def _progress(total: int) -> Iterator[Told]:
    """Show how far it is on standard error: a bar for a person, lines for a log."""
    console = Console(stderr=True)
    count = 0

    def line(made: Answered | None) -> None:
        nonlocal count
        count += 1
        if made is not None:
            text = f"{count} of {total}  {made.tag}  {_outcome(made)}"
            console.print(text, markup=False, highlight=False, soft_wrap=True)

    if not console.is_terminal or not total:
        yield line
        return
    columns = (TextColumn("forecasts"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console) as bar:
        task = bar.add_task("forecasts", total=total)
        yield lambda _: bar.advance(task)


def _outcome(made: Answered) -> str:
    return made.step or "not worked out, see below"
