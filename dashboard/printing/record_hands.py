"""What a surveyor asks of a timber's record: where it comes from, who, with what, and a signature."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import date
from typing import Final

from reportlab.platypus import Flowable, KeepTogether, Spacer

from baulk.dashboard import words
from baulk.dashboard.printing import page, style
from baulk.ingest.correction_notes import Correction
from baulk.ingest.store.notes import HandMeter
from baulk.models import text
from baulk.models.formatting import capital, count
from baulk.models.quantity import OF_DEVICE
from baulk.models.reading import Reading
from baulk.models.reason import Reason
from baulk.models.text import events as event_text
from baulk.models.text import series as series_text
from baulk.models.timber import DETAILS, Event, EventKind, Value
from baulk.models.units import System, TemperatureUnit

STAGES: Final = (
    EventKind.FITTED, EventKind.PRIMED, EventKind.BEDDED, EventKind.LAUNCHED, EventKind.RETIRED,
)  # fmt: skip
NO_METER: Final = "Nothing is on record of the meter behind readings by hand."
SIGNED: Final = (
    "Looked at beside the timber and found as this record says, but for what is written here by hand:"
)


def source(events: Iterable[Event], room: float) -> list[Flowable]:
    """Lay out where it comes from and what it is meant for; what was named later stands."""
    known: dict[str, Value] = {}
    for event in sorted(events, key=lambda each: each.at_utc):
        if event.counts and event.kind is EventKind.SOURCED:
            known |= event.detail
    names = [name.rstrip("?") for name in DETAILS[EventKind.SOURCED]]
    rows = [(name, _plain(name, known[name])) for name in names if name in known]
    if not rows:
        return []
    return [page.heading("Where it comes from"), page.table((), rows, (25 * style.MM, room - 25 * style.MM))]


def _plain(name: str, value: Value) -> str:
    """Return a detail as it is read; the day of felling like any other day of the record."""
    if name != "felled":
        return str(value)
    day = date.fromisoformat(str(value))
    return f"{day.day} {day:%b %Y}"


def stages(events: Iterable[Event], room: float) -> list[Flowable]:
    """Lay out when it was fitted, primed, bedded, launched, and by whom, by day; then what is not noted."""
    done: dict[EventKind, Event] = {}
    for event in sorted(events, key=lambda each: each.at_utc):
        if event.counts and event.kind in STAGES:
            done[event.kind] = event
    if not done:
        return []
    in_order = sorted((kind for kind in STAGES if kind in done), key=lambda kind: done[kind].at_utc)
    rows = [(kind.value, words.day(done[kind].at_utc), done[kind].by or "-") for kind in in_order]
    rows += [(kind.value, "", "") for kind in STAGES if kind not in done]
    widths = (room * 0.3, room * 0.35, room * 0.35)
    return [KeepTogether([page.heading("Stages"), page.table(("stage", "day", "by"), rows, widths)])]


def corrected(
    done: Sequence[Correction], system: System, temperature: TemperatureUnit, room: float
) -> list[Flowable]:
    """Lay out readings that were taken back or put right: what was stored first, and what stands now."""
    standing = [each for each in done if each.counts]
    if not standing:
        return []
    rows = [
        (
            words.day(one.at_utc),
            f"{series_text.called(str(one.was.series), system)}, {words.clock(one.was.taken_utc)}",
            event_text.value(one.was, system, temperature),
            "taken back" if one.now is None else event_text.value(one.now, system, temperature),
            ", ".join(filter(None, (one.by, one.note))) or "-",
        )
        for one in standing
    ]
    widths = (room * 0.14, room * 0.36, room * 0.14, room * 0.14, room * 0.22)
    return [
        page.heading("Readings put right"),
        page.table(("day", "reading", "was", "is", "by, and why"), rows, widths),
    ]


def instruments(
    readings: Sequence[Reading], events: Iterable[Event], meter: HandMeter | None, system: System
) -> list[Flowable]:
    """List what it was measured with: the hand meter on record, sensors, and how many readings came how."""
    lines = [NO_METER]
    if meter is not None:
        reasons = [Reason(code="meter.temperature", values={"corrects": meter.corrects_temperature})]
        if meter.named:
            reasons.insert(0, meter.reason)
        lines = [f"{capital(each)}." for each in text.sentences(reasons, system, zone=words.zone())]
    ordered = sorted(events, key=lambda each: each.at_utc)
    sensors = [
        f"{capital(event_text.event(event, system, zone=words.zone()))} on {words.day(event.at_utc)}."
        for event in ordered
        if event.counts and event.kind in {EventKind.SENSOR_ATTACHED, EventKind.SENSOR_DETACHED}
    ]
    shown = [each for each in readings if each.series.quantity not in OF_DEVICE]
    how = Counter((str(each.series), words.source(each)) for each in shown)
    series = [
        f"{capital(series_text.called(name, system))}: {count(number, 'reading')}, {where}."
        for (name, where), number in sorted(how.items())
    ]
    return [page.heading("Instruments"), *page.points([*lines, *sensors, *series])]


def people(events: Iterable[Event], done: Iterable[Correction]) -> list[Flowable]:
    """List who noted events and put readings right, with how often."""
    noted = Counter(each.by for each in events if each.counts and each.by)
    right = Counter(each.by for each in done if each.counts and each.by)
    spelt = {name.casefold(): name for name, _ in (noted + right).most_common()[::-1]}  # "ida" is Ida
    if not spelt:
        return []
    lines = []
    for folded, name in sorted(spelt.items()):
        shares = [
            sum(n for each, n in found.items() if each.casefold() == folded) for found in (noted, right)
        ]
        what = zip(shares, ("entry of the history", "reading put right"), strict=True)
        lines.append(f"{name}: {', '.join(_counted(n, each) for n, each in what if n)}.")
    return [KeepTogether([page.heading("People"), *page.points(lines)])]


def _counted(number: int, what: str) -> str:
    """Return "1 reading put right", "2 entries of the history"."""
    noun, _, rest = what.partition(" ")
    many = f"{noun.removesuffix('y')}ies" if noun.endswith("y") else f"{noun}s"
    return f"{number} {noun if number == 1 else many} {rest}"


def lying(remarks: Sequence[Reason], system: System) -> list[Flowable]:
    """List what is to be looked for and done while it lies."""
    said = text.sentences(remarks, system, zone=words.zone())
    return [page.heading("Care while it dries"), *page.points(said)] if said else []


def signature(room: float) -> list[Flowable]:
    """Lay out lines for name, signature and date."""
    blanks = page.table(
        ("name", "signature", "date"), [("\n\n", "", "")], (room * 0.35, room * 0.4, room * 0.25)
    )
    return [KeepTogether([page.heading("Signature"), page.text(SIGNED, 8), Spacer(1, 16), blanks])]
