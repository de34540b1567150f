"""Expected dates as a calendar file (RFC 5545) that any calendar takes in."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Final, Protocol

from baulk.dashboard import words
from baulk.ingest.evaluation.document import Summary
from baulk.ingest.evaluation.document_fields import sentence, sentences
from baulk.models.formatting import share
from baulk.models.timber import Timber

if TYPE_CHECKING:
    from icalendar import Event
from baulk.models.units import System

REFRESH: Final = timedelta(hours=12)


class Expected(Protocol):
    """A timber with its last evaluation, and whose words it is told in."""

    @property
    def timber(self) -> Timber:
        """Which timber."""

    @property
    def answer(self) -> Summary | None:
        """Its evaluation, if it has one."""

    @property
    def system(self) -> System:
        """Units of the sentences."""

    @property
    def url(self) -> str:
        """Where the pages are."""


def calendar(records: Iterable[Expected], *, shop: str, slug: str) -> bytes:
    """Write the day on which each timber is expected to become square-able, and rough-out-able.

    Parameters
    ----------
    records : iterable of Expected
        Timbers with their last evaluation; those without one, and steps with no day in sight, are left out.
    shop : str
        Name of the calendar.
    slug : str
        The shop's level in topics; with tag and step it names an entry, so that a second import moves it.

    Returns
    -------
    bytes
        An iCalendar file.
    """
    from icalendar import Calendar  # noqa: PLC0415 - no page needs it

    made = Calendar()
    made.add("prodid", "-//Baulk//expected dates//EN")
    made.add("version", "2.0")
    made.add("method", "PUBLISH")
    made.add("x-wr-calname", f"{shop}: timbers")
    made.add("refresh-interval", REFRESH, parameters={"VALUE": "DURATION"})
    for record in records:
        if record.answer is None:
            continue
        judged, worked_out = record.answer.verdict, record.answer.made_utc.astimezone(UTC)
        for step, date in judged.dates.items():
            if date is not None and step in words.STEPS and (date > worked_out or step == judged.step):
                made.add_component(_entry(record, step, date, worked_out, slug))
    return bytes(made.to_ical())


def _entry(record: Expected, step: str, date: datetime, worked_out: datetime, slug: str) -> Event:
    from icalendar import Event  # noqa: PLC0415

    answer, tag = record.answer, record.timber.tag
    assert answer is not None  # noqa: S101 - the caller has looked
    judged = answer.verdict
    needed = judged.needed if step == "square" and judged.needed is not None else judged.wanted
    sure = f"{share(needed)} sure"
    when = words.when(date, worked_out, judged.spread_days.get(step))
    said = sentences(judged.reasons_coded, judged.reasons, record.system, zone=words.zone())
    reasons = "\n".join(f"- {each}" for each in said[:3])
    following = sentence(judged.next_reading_coded, judged.next_reading, record.system, zone=words.zone())
    day = words.local(date).date()
    entry = Event()
    entry.add("uid", f"{tag}-{step.replace(' ', '-')}@{slug}.baulk")
    entry.add("dtstamp", worked_out)
    entry.add("sequence", int(worked_out.timestamp()) // 60 % 2**31)
    entry.add("dtstart", day)
    entry.add("dtend", day + timedelta(days=1))
    entry.add("transp", "TRANSPARENT")
    entry.add("summary", f"{tag}: {words.STEPS[step].word.lower()} from here on ({sure})")
    entry.add("location", record.timber.place)
    entry.add("url", f"{record.url.rstrip('/')}/timber?tag={tag}")
    entry.add(
        "description",
        f"Expected {when}, as of {words.clock(worked_out)}; it moves with every reading.\n{reasons}\n"
        f"Next reading: {following}",
    )
    return entry
