"""What each device's clock is off by: learned while we listen (`wire.delays`), kept as notes of the store."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any, Final

from baulk.ingest.errors import StoreError
from baulk.ingest.store import Store
from baulk.ingest.wire.clock import newest_s
from baulk.ingest.wire.delays import LEVEL_S, Choice, Run, Span, Topic, judged
from baulk.ingest.wire.message import FIRST_POSIX_S, RawMessage, moment
from baulk.models.reading import Reading

# Our own judgement, without a published source, as the limits of `wire.delays`.
_LATELY_S: Final = 3600.0  # devices that speak for our clock were heard of since
_WITNESSES: Final = 2
_MOST: Final = 1000  # topics
_KEPT_S: Final = 60.0  # between two writings
_KEY: Final = "device-clock/"
_CHOICE: Final = "device-clock-choice"


@dataclass(frozen=True, slots=True, kw_only=True)
class Learned:
    """What is known of one device's clock.

    Parameters
    ----------
    topic : str
        What it publishes to.
    about : str
        The owner and name of what it measures, such as "air/shed".
    behind_s : float
        How much later its soonest messages came than the time that they name; below 0 it is ahead. [s]
    drift_s_day : float or None
        How much farther behind each day; None if too few days tell. [s]
    since_utc : datetime
        Since when it has been so, as far as is known.
    last_utc : datetime
        When it was last heard.
    is_wrong : bool
        Whether it is the clock, and not the way that messages take.
    is_whole : bool
        Whether it is off by whole hours, as with a wrong zone or summer time.
    is_corrected : bool
        Whether the times of its readings are put right.
    choice : Choice or None
        What a person said of it.
    """

    topic: str
    about: str
    behind_s: float
    drift_s_day: float | None
    since_utc: datetime
    last_utc: datetime
    is_wrong: bool
    is_whole: bool
    is_corrected: bool
    choice: Choice | None


def learned(store: Store) -> list[Learned]:
    """Return what is known of every device that gives a time, the most wrong first."""
    choices = _choices(store)
    found = []
    for topic, one in _known(store).items():
        found_out, run = judged(one.run), one.run
        is_corrected = bool(one.spans) and one.spans[-1].until_s == math.inf
        found.append(
            Learned(
                topic=topic,
                about=one.about,
                behind_s=run.level_s,
                drift_s_day=run.drift_s_day(),
                since_utc=moment(run.since_s),
                last_utc=moment(one.last_s),
                is_wrong=found_out.is_wrong and choices.get(topic) is not Choice.AS_SENT,
                is_whole=found_out.is_whole,
                is_corrected=is_corrected,
                choice=choices.get(topic),
            )
        )
    return sorted(found, key=lambda one: (not one.is_wrong, -abs(one.behind_s), one.topic))


def spans(store: Store) -> dict[str, list[Span]]:
    """Return by topic when a device's clock was known to be off."""
    return {topic: one.spans for topic, one in _known(store).items() if one.spans}


def behind_s(those: Sequence[Span], arrived_s: float) -> float:
    """Return how far a clock was known to be behind when a message came, in seconds."""
    return next((one.behind_s for one in those if one.since_s <= arrived_s < one.until_s), 0.0)


def choose(store: Store, topic: str, choice: Choice | None) -> None:
    """Keep what a person says of a device's times; None leaves it to what is learned."""
    choices = _choices(store)
    if choice is None:
        choices.pop(topic, None)
    else:
        choices[topic] = choice
    store.note(_CHOICE, json.dumps(choices).encode())


class DeviceWatch:
    """Learns the clocks of devices while it listens.

    Parameters
    ----------
    store : Store
        Where what is learned is kept.
    name : str
        The listener's client id; each of several keeps a note of its own.
    synchronised : callable
        Whether a time server keeps our clock, None where nobody knows.
    """

    def __init__(self, store: Store, name: str, synchronised: Callable[[], bool | None]) -> None:
        self._store, self._key, self._synchronised = store, _KEY + name, synchronised
        self._topics: dict[str, Topic] | None = None
        self._choices: dict[str, Choice] = {}
        self._next = -math.inf
        self.corrected: dict[str, float] = {}
        """How far the clocks that are put right are behind, by topic. [s]"""
        with suppress(StoreError):  # it may be away while the listener starts
            self._load()

    def _load(self) -> dict[str, Topic]:
        if self._topics is None:
            self._choices = _choices(self._store)
            self._topics = _read(self._store.noted(self._key), self._choices)
            self._note_corrected()
        return self._topics

    def _note_corrected(self) -> None:
        self.corrected = {
            topic: one.spans[-1].behind_s
            for topic, one in (self._topics or {}).items()
            if one.spans and one.spans[-1].until_s == math.inf
        }

    def look(self, heard: Mapping[str, tuple[RawMessage, Sequence[Reading]]]) -> list[str]:
        """Take in the last message of each topic; return the topics whose times begin to be corrected."""
        topics = self._load()
        now_s = 0.0
        for topic, (raw, readings) in heard.items():
            said, at_s = newest_s(raw, readings), raw.now_utc.timestamp()
            now_s = max(now_s, at_s)
            if said is not None and said >= FIRST_POSIX_S and not raw.retained:
                self._hear(topics, topic, readings, at_s, at_s - said)
        is_vouched = bool(heard) and self._is_vouched(topics, now_s)
        for topic in heard:
            if (one := topics.get(topic)) is not None:
                one.settle(self._choices.get(topic), is_vouched=is_vouched)
        before = set(self.corrected)
        self._note_corrected()
        new = sorted(set(self.corrected) - before)
        if heard and (new or now_s >= self._next or now_s < self._next - 2 * _KEPT_S):
            self._write(now_s)
        return new

    @staticmethod
    def _hear(
        topics: dict[str, Topic], topic: str, readings: Sequence[Reading], at_s: float, delay_s: float
    ) -> None:
        series = readings[0].series
        about = f"{series.owner.value}/{series.name}"
        if (one := topics.pop(topic, None)) is None:
            day = (int(at_s // 86_400), delay_s)
            run = Run(since_s=at_s, first_s=delay_s, level_s=delay_s, last_s=at_s, days=[day])
            one = Topic(about=about, run=run, last_s=at_s)
        else:
            one.about = about
            one.hear(at_s, delay_s)
        topics[topic] = one  # the last that was heard stands at the end
        while len(topics) > _MOST:  # made-up topics must not push out what was learned in days
            del topics[next((each for each in topics if not topics[each].run.is_steady), next(iter(topics)))]

    def _is_vouched(self, topics: Mapping[str, Topic], now_s: float) -> bool:
        """Whether our own clock is right: a time server keeps it, or most devices agree with it."""
        if self._synchronised():
            return True
        lately = [one.run for one in topics.values() if now_s - one.last_s <= _LATELY_S]
        agree = sum(abs(run.level_s) <= LEVEL_S for run in lately)
        return agree >= max(_WITNESSES, math.ceil(len(lately) / 2))

    def _write(self, now_s: float) -> None:
        self._next = now_s + _KEPT_S
        body = {topic: asdict(one) for topic, one in self._load().items()}
        self._store.note(self._key, json.dumps(body).encode())
        self._choices = _choices(self._store)


def _known(store: Store) -> dict[str, Topic]:
    """Return what all listeners know, each topic by who heard it last."""
    found: dict[str, Topic] = {}
    choices = _choices(store)
    for note in store.notes(_KEY).values():
        for topic, one in _read(note, choices).items():
            if topic not in found or one.last_s > found[topic].last_s:
                found[topic] = one
    return found


def _read(note: bytes | None, choices: Mapping[str, Choice]) -> dict[str, Topic]:
    found: dict[str, Topic] = {}
    with suppress(ValueError, TypeError, KeyError, AttributeError):  # written by another version
        for topic, body in json.loads(note or b"{}").items():
            one = Topic(
                about=str(body["about"]),
                run=_run(body["run"]),
                last_s=float(body["last_s"]),
                coming=_run(body["coming"]) if body["coming"] else None,
                spans=[Span(**span) for span in body["spans"]],
            )
            if topic in choices:  # what a person says counts at once
                one.settle(choices[topic], is_vouched=True)
                one.spans = [] if choices[topic] is Choice.AS_SENT else one.spans
            found[topic] = one
    return found


def _run(body: dict[str, Any]) -> Run:
    days: Iterable[Sequence[float]] = body.pop("days")
    return Run(**body, days=[(int(day), float(delay)) for day, delay in days])


def _choices(store: Store) -> dict[str, Choice]:
    try:
        found = json.loads(store.noted(_CHOICE) or b"{}")
        return {str(topic): Choice(choice) for topic, choice in found.items()}
    except (ValueError, TypeError, AttributeError):  # written by another version
        return {}
