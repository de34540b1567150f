"""Forecasts and verdicts: `baulk forecast`."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from datetime import UTC, date, datetime, timedelta, tzinfo
from typing import Annotated

import typer
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

from baulk.dashboard.commands.answers import (
    HERE,
    JsonOption,
    ShopOption,
    counted,
    moment,
    say,
    say_json,
    stamp,
)
from baulk.dashboard.commands.children import stop_signals
from baulk.dashboard.commands.options import Again, MaybeAt
from baulk.ingest import memory, service_manager
from baulk.ingest import shop as shops
from baulk.ingest.errors import StoreError
from baulk.ingest.evaluation import batch, standing, swaps, yard_memory
from baulk.ingest.evaluation.batch import Round
from baulk.ingest.evaluation.compute import Evaluation
from baulk.ingest.evaluation.document import Failed
from baulk.ingest.evaluation.due import Due
from baulk.ingest.evaluation.executors import Cluster, Team
from baulk.ingest.monitoring import machine, nightly, notify
from baulk.ingest.settings_watch import Watched
from baulk.ingest.shop import Shop
from baulk.ingest.store import notes
from baulk.models import text
from baulk.models.errors import BaulkError, OutOfRange

EVERY_S = 1.0
SWAPS_EVERY = timedelta(hours=1)
Told = Callable[[Evaluation | None], None]


class NotWorkedOut(BaulkError):
    """Some timber has no verdict, and why."""


def forecast(  # noqa: PLR0913 - one an option
    tags: Annotated[
        list[str] | None,
        typer.Argument(help="Tags; without any, all with news.", metavar="TAG"),
    ] = None,
    *,
    everything: Annotated[
        bool,
        typer.Option(
            "--all", help="Every timber whose answer would be another: by settings too, or a new version."
        ),
    ] = False,
    again: Again = False,
    watch: Annotated[
        bool, typer.Option("--watch", help="Keep at it until Ctrl-C: each timber anew when it has news.")
    ] = False,
    workers: Annotated[
        int | None, typer.Option("--workers", min=1, help="Processes at once; one a core if left out.")
    ] = None,
    cluster: Annotated[
        str | None,
        typer.Option(
            "--cluster", metavar="ADDRESS", help="Let a running Dask cluster do it: tcp://host:port."
        ),
    ] = None,
    at: MaybeAt = None,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Fit each timber's drying to its readings, look ahead, and judge it.

    Without tags: those with news, and after a change of settings or tables every one that it touches, what
    failed before included. `baulk verdict` shows the outcome. What was worked out is kept at once: after a
    stop or a power cut the same command goes on with the rest. --again works out also what nothing has
    changed for; --at gives the forecast of an earlier day, kept to be compared with the outcome.

    Example: baulk forecast --all

    Example: baulk forecast FER-03 --at 2026-06-01
    """
    if watch and (tags or json or at or again):
        raise OutOfRange("--watch", "takes every timber and answers on the pages; leave tags and --json away")
    if cluster and workers:
        raise OutOfRange("--workers", "says nothing to a cluster, which has its own; leave one of them away")
    now = datetime.now(UTC)
    with stop_signals() as stop, shops.open(shop) as opened, _team(cluster) as team:
        if watch:
            _watch(opened, stop, workers, team)
            return
        if everything and at is None:
            yard_memory.refresh(opened, now)
        over = not tags and not everything and not again and at is None and standing.changed(opened)
        asked = _asked(opened, tags, everything=everything or again or at is not None)
        rest = [tag for tag in _asked(opened, None, everything=True) if tag not in asked] if over else []
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
            found = _look_for_swaps(opened, now, workers, team, stop)
            for words in () if json else found:
                say(words)
        _answer(made, len(asked) + len(rest), time.monotonic() - began, json=json)


def _asked(opened: Shop, tags: list[str] | None, *, everything: bool) -> list[str]:
    if tags:
        return [opened.register.get(tag).tag for tag in tags]
    return [each.tag for each in opened.register.list()] if everything else opened.store.stale()


def _every(opened: Shop, now: datetime) -> list[str]:
    """Give every timber, after what they teach each other has been put together for the day."""
    yard_memory.refresh(opened, now)
    return _asked(opened, None, everything=True)


@contextmanager
def _team(cluster: str | None) -> Iterator[Team | None]:
    if cluster is None:
        yield None
        return
    with closing(Cluster(cluster)) as team:
        yield team


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

    def line(made: Evaluation | None) -> None:
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


def _outcome(made: Evaluation) -> str:
    found = made.document
    return "not worked out, see below" if isinstance(found, Failed) else found.verdict.step


def _watch(opened: Shop, stop: threading.Event, workers: int | None, team: Team | None) -> None:
    """Go round until somebody asks us to end; what is wrong with the store now may be right in a moment.

    The first round of each day, and that after a change of settings, goes over every timber and fits it from
    its arrival, for the program or the settings may be other ones than before; from then on new readings are
    taken into that fit.
    """
    said = ""
    due = Due()
    round_of: date | None = None
    looked: datetime | None = None
    with Watched(opened) as watched, closing(notify.Messenger(opened)) as messenger:
        service_manager.ready()
        while not stop.wait(0 if round_of is None else EVERY_S):
            service_manager.alive()
            try:
                anew, told = watched.look()
                if told:
                    say(told)
                opened = watched.shop
                if anew:
                    round_of = None
                    messenger.move_to(opened)
                round_of = _round(opened, due, round_of, stop, workers, team)
                said = ""
                now = datetime.now(UTC)
                if looked is None or now - looked >= SWAPS_EVERY:
                    looked = now
                    for words in _look_for_swaps(opened, now, workers, team, stop):
                        say(words)
                _nightly(opened, datetime.now(UTC), stop)
                system, zone = opened.config.shop.units, opened.config.zone
                for each in messenger.turn(datetime.now(UTC)):
                    say(f"notice, {each.kind}: {each.words(system, zone=zone)}")
            except StoreError as err:
                if str(err) != said:  # once, not every second
                    said = str(err)
                    say(said)


def _round(  # noqa: PLR0913, PLR0917 - as `_watch` has them
    opened: Shop,
    due: Due,
    round_of: date | None,
    stop: threading.Event,
    workers: int | None,
    team: Team | None,
) -> date:
    """Work out what has news, or everything if the last round over everything was of another day."""
    now = datetime.now(UTC)
    today = now.astimezone(opened.config.zone).date()
    whole = round_of != today
    news = due.look(opened, now)  # also before a round over all: what comes while that runs is told by it
    if tags := _every(opened, now) if whole else news:
        batch.run(
            opened, tags, now, workers=workers, team=team, whole=whole, done=_line(opened.config.zone),
            stop=stop.is_set,
        )  # fmt: skip
        memory.give_back()
    if whole and not stop.is_set():
        standing.looked_over(opened)
    return today


def _nightly(opened: Shop, now: datetime, stop: threading.Event) -> None:
    """Do what is to be done once a night, the backup last."""
    if mended := nightly.mend_times(opened, now):
        say(f"given a better time, for their sensor's clock is wrong: {counted(mended, 'reading')}")
    nightly.tidy_messages(opened, now)
    if gone := nightly.thin(opened, now):
        say(f"{gone} old sensor readings thinned, as [store] thin_after_days asks")
    if gone := nightly.age_quarantine(opened, now):
        say(f"let go after longer than [store] quarantine_days in quarantine: {counted(gone, 'message')}")
    machine.note_size(opened, now)
    if planned := nightly.plan_airs(opened, now, stop.is_set):
        say(f"the air of {planned} place{'s' if planned > 1 else ''} planned for the page Shop air")
        memory.give_back()
    if told := nightly.back_up(opened, now):
        say(told)


def _look_for_swaps(
    opened: Shop, now: datetime, workers: int | None, team: Team | None, stop: threading.Event
) -> list[str]:
    """Look who bears another's tag, have both verdicts say so or no longer say so, and return what is new."""
    before = {each.tags for each in notes.swaps(opened.store)}
    found = {
        each.tags: text.sentence(each.reason, "metric", zone=opened.config.zone)
        for each in swaps.look(opened, now)
    }
    standing = _asked(opened, None, everything=True)
    tags = [tag for tag in standing if any(tag in pair for pair in before ^ set(found))]
    if tags:
        batch.run(opened, tags, now, workers=workers, team=team, whole=False, stop=stop.is_set)
    return [words for pair, words in found.items() if pair not in before]


def _line(zone: tzinfo | None) -> Told:
    """Return what says a line of each timber worked out."""

    def line(made: Evaluation | None) -> None:
        service_manager.alive()
        if made is not None:
            say(f"{stamp(made.made_utc, zone)}  {made.tag}  {made.failed or 'evaluated'}")

    return line
