"""The whole way with no set-up: `baulk demo`."""

from __future__ import annotations

import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Annotated, Final

import typer
from rich.console import Console
from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeElapsedColumn

from baulk.dashboard.commands.answers import say
from baulk.dashboard.commands.children import Children, ourselves, stop_signals
from baulk.dashboard.commands.ports import PortOption, answers, refuse_taken
from baulk.dashboard.commands.serve import READY_WITHIN_S, start_forecasts, start_parts
from baulk.dashboard.server import process as pages
from baulk.dashboard.server.here import HOST
from baulk.ingest import config as settings
from baulk.ingest import shop as shops
from baulk.ingest.demo import broker, shed, yard
from baulk.ingest.demo import yard as demo_yard
from baulk.ingest.demo.shed import Publisher
from baulk.ingest.evaluation import gather
from baulk.ingest.shop import Shop
from baulk.models.errors import BaulkError
from baulk.models.quantity import Owner

NAME: Final = "Ferry yard"
PAGES_PORT: Final = 8501
LIVE_EVERY_S: Final = 4.0
EARLIER_DAYS: Final = (180, 90, 40)  # the last only for timbers too young for the others
LEAST_BEFORE: Final = timedelta(days=15)
STORED_WITHIN_S: Final = 240.0


class DemoStuck(BaulkError):
    """A step of the demo took longer than it ever should."""


class _StopError(Exception):
    """Somebody asked us to end; no error of ours."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Stage:
    """What the steps of the demo share."""

    place: Path
    children: Children
    stop: threading.Event
    port: int

    def go_on(self) -> None:
        """End here if somebody asked us to."""
        if self.stop.is_set():
            raise _StopError


def demo(
    *,
    port: PortOption = None,
    folder: Annotated[
        Path | None,
        typer.Option(help="Where the shop folder goes; else a new temporary one, which is named."),
    ] = None,
    quit_after: Annotated[
        float | None, typer.Option(help="End by itself this many seconds after all is ready.", min=0)
    ] = None,
    embedded_broker: Annotated[
        bool, typer.Option("--embedded-broker", help="Do not use mosquitto even if it is on the machine.")
    ] = False,
) -> None:
    """Run a simulated yard: eight timbers for a river ferry, their sensors, forecasts, verdicts and pages.

    Fourteen months of readings come in over MQTT as they would from real sensors, then live ones every few
    seconds. Everything runs on this machine; Ctrl-C ends all of it and leaves the shop folder. No browser is
    opened: follow the address that is printed.

    Example: baulk demo --folder ferry
    """
    began = time.monotonic()
    refuse_taken(port := port or PAGES_PORT)
    place = (folder or Path(tempfile.mkdtemp(prefix="baulk-demo-"))).absolute()
    place.mkdir(parents=True, exist_ok=True)
    with stop_signals() as stop:
        try:
            with Children(place / "logs") as children:
                stage = _Stage(place=place, children=children, stop=stop, port=port)
                _play(stage, began, quit_after, embedded=embedded_broker)
        except _StopError:
            pass
        finally:
            say(f"every part has ended; the shop folder {place} is left, delete it when you like")


def _play(stage: _Stage, began: float, quit_after: float | None, *, embedded: bool) -> None:
    now_utc = datetime.now(UTC)
    pieces = yard.pieces(now_utc)
    at = _start_broker(stage, embedded=embedded)
    _make_shop(stage, at)
    with shops.open(stage.place) as shop, Publisher(at.host, at.port) as publisher:
        for piece in pieces:
            shop.register.add(piece.timber)
        for wanted in demo_yard.parts(now_utc):
            shop.register.save_part(wanted)
        start_parts(stage.children, stage.place, pages.command(stage.place, stage.port), forecasts=False)
        say(f"shop folder {stage.place}, {at.kind} broker on port {at.port}")
        say("drying eight timbers in the air of fourteen months")
        simulated = shed.Shed(pieces, now_utc)
        _publish_history(stage, shop, publisher, simulated)
        page_server = stage.children.running[-1]
        stage.children.wait_for(page_server, lambda: answers(stage.port), seconds=READY_WITHIN_S)
        say(f"\n  open http://{HOST}:{stage.port}   the pages fill while the verdicts are computed\n")
        _work_out(stage, shop, [piece.timber.tag for piece in pieces])
        start_forecasts(stage.children, stage.place)
        took = time.monotonic() - began
        say(
            f"all is ready after {took:.0f} s; live readings come every {LIVE_EVERY_S:g} s  (Ctrl-C ends all)"
        )
        _go_live(stage, publisher, simulated, quit_after, _earlier(stage.place, pieces, now_utc))


def _start_broker(stage: _Stage, *, embedded: bool) -> broker.BrokerPlan:
    mosquitto = None if embedded else broker.find_mosquitto()
    at = broker.plan(stage.place, broker.free_port(), mosquitto=mosquitto)
    child = stage.children.start("broker", at.argv)
    stage.children.wait_for(child, lambda: broker.answers(at.port), seconds=15)
    return at


def _make_shop(stage: _Stage, at: broker.BrokerPlan) -> None:
    """Make the shop folder as `baulk init` does, and name broker and pages in its settings."""
    shops.init(stage.place, name=NAME, units="inch")
    path = stage.place / settings.FILE
    text = path.read_text(encoding="utf-8").replace("port = 1883", f"port = {at.port}")
    path.write_text(f"{text}\n[dashboard]\nport = {stage.port}\n", encoding="utf-8")


def _publish_history(stage: _Stage, shop: Shop, publisher: Publisher, simulated: shed.Shed) -> None:
    """Publish day by day and wait until the listener has stored the last one."""
    days = list(simulated.days())
    _wait_for_listener(stage, shop, publisher, days[0][1][:1])
    with _bar("readings", len(days)) as advance:
        for i, (_, messages) in enumerate(days):
            publisher.send(messages, stage.stop.is_set)
            stage.go_on()
            if i % 10 == 0:
                advance(_days_stored(shop, days))
        until = time.monotonic() + STORED_WITHIN_S
        while (stored := _days_stored(shop, days)) < len(days):
            advance(stored)
            _pause(stage, 0.2)
            if time.monotonic() > until:
                raise DemoStuck(
                    f"only {stored} of {len(days)} days were stored within {STORED_WITHIN_S:.0f} s; "
                    f"see {stage.children.logs}"
                )
        advance(len(days))


def _wait_for_listener(stage: _Stage, shop: Shop, publisher: Publisher, first: list[shed.Message]) -> None:
    """Publish the first day until the listener has it: before it subscribes, nobody keeps messages for it."""
    listener = stage.children.running[1]

    def arrived() -> bool:
        stage.go_on()
        publisher.send(first, stage.stop.is_set)
        time.sleep(0.3)
        return bool(shop.store.latest(Owner.AIR, yard.PLACE))

    stage.children.wait_for(listener, arrived, seconds=READY_WITHIN_S)


def _days_stored(shop: Shop, days: list[tuple[float, list[shed.Message]]]) -> int:
    """How many days have arrived; the air comes with each day, and an hour before its end at the latest."""
    newest = max((r.taken_utc.timestamp() for r in shop.store.latest(Owner.AIR, yard.PLACE)), default=0.0)
    return sum(1 for end, _ in days if end - 3700 <= newest)


def _work_out(stage: _Stage, shop: Shop, tags: list[str]) -> None:
    failed: list[str] = []
    with _bar("verdicts", len(tags)) as advance:
        for i, tag in enumerate(tags):
            stage.go_on()
            made = gather.evaluate(tag, shop, datetime.now(UTC))
            if made.failed:
                failed.append(f"{tag}: {made.failed}")
            advance(i + 1)
    for each in failed:
        say(f"no verdict yet for {each}")


def _earlier(place: Path, pieces: Sequence[yard.Piece], now_utc: datetime) -> list[list[str]]:
    """Give the runs that work out what would have been said earlier, so that it can be held against today."""
    found: list[list[str]] = []
    looked_back: set[str] = set()
    for days in EARLIER_DAYS:
        when = now_utc - timedelta(days=days)
        tags = {piece.timber.tag for piece in pieces if when - piece.timber.arrived_utc > LEAST_BEFORE}
        asked = sorted(tags - looked_back if days == EARLIER_DAYS[-1] else tags)
        looked_back |= tags
        to = ("--at", f"{when:%Y-%m-%d}", "--workers", "1", "--shop", str(place))
        found.append(ourselves("forecast", *asked, *to))
    return found


def _go_live(
    stage: _Stage,
    publisher: Publisher,
    simulated: shed.Shed,
    quit_after: float | None,
    earlier: list[list[str]],
) -> None:
    """Send live readings; beside them, one run after the other, work out the earlier forecasts."""
    until = float("inf") if quit_after is None else time.monotonic() + quit_after
    turn, looking_back = 0, None
    while time.monotonic() < until:
        stage.children.mend()
        if earlier and (looking_back is None or looking_back.process.poll() is not None):
            looking_back = stage.children.start("earlier forecasts", earlier.pop(0), once=True)
        publisher.send(simulated.live(datetime.now(UTC), with_pins=turn % 5 == 0), stage.stop.is_set)
        turn += 1
        _pause(stage, min(LIVE_EVERY_S, max(0.0, until - time.monotonic())))


def _pause(stage: _Stage, seconds: float) -> None:
    stage.stop.wait(seconds)
    stage.go_on()


@contextmanager
def _bar(title: str, total: int) -> Iterator[Callable[[int], None]]:
    columns = (TextColumn("{task.description:>9}"), BarColumn(), TaskProgressColumn(), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True)) as progress:
        task = progress.add_task(title, total=total)
        yield lambda done: progress.update(task, completed=done)
