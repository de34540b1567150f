"""A walk along the timbers from the command line: `baulk walk`."""

from __future__ import annotations

import sys
import uuid
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import typer

from baulk.dashboard import words
from baulk.dashboard.commands.answers import HERE, JsonOption, ShopOption, counted, moment, say, say_json
from baulk.dashboard.commands.options import At, By, Print, Yes
from baulk.ingest import hand_readings
from baulk.ingest import shop as shops
from baulk.ingest.shop import Shop
from baulk.ingest.walk import entries, lines, plausible, yard
from baulk.ingest.walk.entries import Entry, Outcome, State
from baulk.models import text, units
from baulk.models.errors import BaulkError, OutOfRange
from baulk.models.formatting import in_reader_units
from baulk.models.quantity import Quantity
from baulk.models.text import events as event_text
from baulk.models.text import series as series_text
from baulk.models.units import System

_ENTRY: Final = uuid.UUID("8c1c2f0e-3a63-4c6a-9f64-0d3c3b1a7f10")  # names entries of the command line
_HELP: Final = (
    "  28.5, 28.5 at 1 1/4, OL, 231 lb, or two with a semicolon; Enter skips, b goes back, u undoes, q ends"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Answer:
    """What became of a line."""

    line: int
    said: str
    outcome: Outcome


def walk(  # noqa: PLR0913 - each is an option of the command line
    *,
    sheet: Print = None,
    at: At = "now",
    by: By = "",
    yes: Yes = False,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Enter readings timber by timber: asked for at a terminal, else a line each on standard input.

    A line is a tag, a value and for pins their depth: 'WO-1 28.5 at 1 1/4', 'WO-1 OL at 30 mm face b',
    'WO-1 231 lb'. Without a depth that of last time counts. The same line of the same day is stored once.
    With --print it writes a sheet to take along, whose rows are typed back so.

    Example: baulk walk --at 2026-11-25 --by Ada
    """
    now_utc = datetime.now(UTC)
    with shops.open(shop, durable=True) as opened:
        words.keep_to(opened.config.zone)
        if sheet is not None:
            _print(opened, sheet, now_utc, json=json)
            return
        at_utc = moment(at, now_utc=now_utc, zone=opened.config.zone)
        if _at_a_terminal():
            _Round(opened, at=at, by=by, yes=yes).go()
            return
        found = _batch(opened, sys.stdin, at_utc=at_utc, now_utc=now_utc, by=by, yes=yes)
        system = opened.config.shop.units
    kept = sum(each.outcome.state in {State.STORED, State.KNOWN} for each in found)
    if json:
        say_json([_row(each, system) for each in found])
    else:
        for each in found:
            say(_told(each, system))
        say(f"{kept} of {len(found)} lines stored")
    if kept < len(found):
        raise typer.Exit(1)


def _at_a_terminal() -> bool:
    return sys.stdin.isatty() and sys.stdout.isatty()


def _print(opened: Shop, file: Path, now_utc: datetime, *, json: bool) -> None:
    from baulk.dashboard.printing import style, walk_sheet  # noqa: PLC0415 - only a sheet needs it

    stops = yard.stops(yard.held(opened), now_utc)
    settings = opened.config.shop
    style.write(file, walk_sheet.pdf(stops, shop=settings.name, made_utc=now_utc, system=settings.units))
    if json:
        say_json({"file": file, "timbers": len(stops)})
    else:
        say(f"The sheet for {counted(len(stops), 'timber')} is in {file}")


def _batch(  # noqa: PLR0913 - whose lines, when, by whom
    opened: Shop, given: Iterable[str], *, at_utc: datetime, now_utc: datetime, by: str, yes: bool
) -> list[_Answer]:
    """Store lines; what is not understood or unlikely holds up no other."""
    found: list[_Answer] = []
    for number, said in enumerate(given, start=1):
        try:
            line = lines.read(said, opened.config.shop.units, top_pct=hand_readings.scale_end_pct(opened))
            if line is None:
                continue
            entry = _entry(opened, line, at_utc=at_utc, now_utc=now_utc, sure=yes)
        except BaulkError as err:
            outcome = Outcome(id="", state=State.REFUSED, why=str(err))
        else:
            (outcome,) = entries.take(opened, _walk_of(opened, at_utc), [entry], now_utc=now_utc, by=by)
        found.append(_Answer(line=number, said=said.strip(), outcome=outcome))
    return found


def _walk_of(opened: Shop, at_utc: datetime) -> str:
    return f"lines-{at_utc.astimezone(opened.config.zone):%Y-%m-%d}"


def _entry(opened: Shop, line: lines.Line, *, at_utc: datetime, now_utc: datetime, sure: bool) -> Entry:
    """Return a line as an entry; its name is what it says, so that typed twice it is stored once."""
    stop = yard.stop(opened, line.tag, now_utc)
    depth_mm, face = line.depth_mm, line.face
    if line.quantity is Quantity.MOISTURE and depth_mm is None:
        if stop.pins is None:
            raise OutOfRange("the reading", f"of {stop.timber.tag} needs the depth of the pins: {lines.HOW}")
        depth_mm, face = stop.depth_mm, face or stop.face
    says = f"{stop.timber.tag} {line.quantity.value} {line.value!r} {line.at_least} {depth_mm} {face}"
    return Entry(
        id=str(uuid.uuid5(_ENTRY, f"{at_utc.astimezone(opened.config.zone).date()} {says}")),
        tag=stop.timber.tag,
        quantity=line.quantity,
        value=line.value,
        at_least=line.at_least,
        depth_mm=depth_mm,
        face=face,
        ago_s=(now_utc - at_utc).total_seconds(),
        sure=sure,
    )


def _why(outcome: Outcome, system: System) -> str:
    return (
        text.sentence(outcome.reason, system, zone=words.zone())
        if outcome.reason
        else in_reader_units(outcome.why, system)
    )


def _value(outcome: Outcome, system: System) -> str:
    if outcome.reading is None:
        return ""
    series = series_text.called(str(outcome.reading.series), system)
    return f"{event_text.value(outcome.reading, system, 'C')}, {series}"


def _told(each: _Answer, system: System) -> str:
    outcome = each.outcome
    tag = outcome.reading.series.name if outcome.reading else ""
    if outcome.state is State.STORED:
        return f"{tag}: {_value(outcome, system)}"
    if outcome.state is State.KNOWN:
        return f"{tag}: {_value(outcome, system)}, was stored already"
    if outcome.state is State.ASKS:
        return f"line {each.line} not stored: {each.said}: {_why(outcome, system)} Say --yes if it is right."
    return f"line {each.line} not stored: {each.said}: {_why(outcome, system)}"


def _row(each: _Answer, system: System) -> dict[str, object]:
    reading = each.outcome.reading
    return {
        "line": each.line,
        "said": each.said,
        "state": each.outcome.state,
        "series": reading and str(reading.series),
        "value": reading and reading.value,
        "unit": reading and reading.unit,
        "taken_utc": reading and reading.taken_utc,
        "flags": reading and reading.flags,
        "why": _why(each.outcome, system) or None,
    }


class _Round:
    """A walk at a terminal: asked timber by timber in the order of the yard."""

    def __init__(self, opened: Shop, *, at: str, by: str, yes: bool) -> None:
        self._opened, self._at, self._by, self._yes = opened, at, by, yes
        self._system: System = opened.config.shop.units
        self._name = f"terminal-{uuid.uuid4()}"
        self._done: list[Entry] = []

    def go(self) -> None:
        """Ask of each timber until the last, or until the person ends it."""
        stops = yard.stops(yard.held(self._opened), datetime.now(UTC))
        say(
            f"{counted(len(stops), 'timber')}."
            + (f"\n{_HELP}" if stops else " Enter the first one: baulk timber add")
        )
        at = 0
        while 0 <= at < len(stops):
            said = self._prompt(stops, at).strip()
            if said.lower() in {"q", "quit"}:
                break
            at = max(0, at + self._heed(stops[at], said))
        say(f"{counted(len(self._done), 'reading')} stored")

    def _prompt(self, stops: Sequence[yard.Stop], at: int) -> str:
        from baulk.dashboard.printing import walk_sheet  # noqa: PLC0415 - the words of the sheet

        one, now_utc = stops[at], datetime.now(UTC)
        size = units.show_size(one.timber.section.width_mm, one.timber.section.depth_mm, self._system)
        say(f"{at + 1} of {len(stops)}  {one.timber.tag}  {one.timber.species}, {size}, {one.timber.place}")
        say(f"  expected {walk_sheet.expected(one)} at {walk_sheet.spot(one, self._system)}")
        say(f"  last {walk_sheet.last(one, self._system, now_utc)}")
        answer: str = typer.prompt("  reading", default="", show_default=False)
        return answer

    def _heed(self, stop: yard.Stop, said: str) -> int:
        """Do what was said; return how many timbers to go on."""
        if said in {"", "s", "skip"}:
            return 1
        if said.lower() in {"b", "back"}:
            return -1
        if said.lower() in {"u", "undo"}:
            self._undo()
            return 0
        if said == "?":
            say(_HELP)
            return 0
        try:
            stored = [self._store(f"{stop.timber.tag} {part}") for part in said.split(";")]
            return int(all(stored))
        except BaulkError as err:
            say(f"  {err}")
            return 0

    def _store(self, said: str) -> bool:
        line = lines.read(said, self._system, top_pct=hand_readings.scale_end_pct(self._opened))
        if line is None:
            return True
        now_utc = datetime.now(UTC)
        at_utc = moment(self._at, now_utc=now_utc, zone=self._opened.config.zone)
        entry = _entry(self._opened, line, at_utc=at_utc, now_utc=now_utc, sure=self._yes)
        return self._enter(replace(entry, id=str(uuid.uuid4())))

    def _enter(self, entry: Entry) -> bool:
        outcome = self._take(entry)
        if outcome.state is State.ASKS:
            say(f"  {_why(outcome, self._system)}")
            tenth = _tenth(entry)
            if tenth is not None and typer.confirm(f"  {tenth.value:g}?", default=True):
                return self._enter(tenth)
            if not typer.confirm(f"  Keep {_value(outcome, self._system)}?", default=False):
                return False
            entry = replace(entry, sure=True)
            outcome = self._take(entry)
        if outcome.state is not State.STORED:
            say(f"  {_why(outcome, self._system)}")
            return False
        self._done.append(entry)
        say(f"  stored: {_value(outcome, self._system)}")
        return True

    def _take(self, entry: Entry) -> Outcome:
        now_utc = datetime.now(UTC)
        (outcome,) = entries.take(self._opened, self._name, [entry], now_utc=now_utc, by=self._by)
        return outcome

    def _undo(self) -> None:
        if not self._done:
            say("  nothing to undo on this walk")
            return
        entry = self._done.pop()
        outcome = self._take(replace(entry, undo=True))
        say(f"  undone: {entry.tag}, {_value(outcome, self._system)}")


def _tenth(entry: Entry) -> Entry | None:
    """Return a moisture with the point that was left out: 28.5 for 285."""
    if entry.quantity is not Quantity.MOISTURE or entry.value <= plausible.MOST_SHOWN_PCT:
        return None
    return replace(entry, value=round(entry.value / 10, 1), id=str(uuid.uuid4()))
