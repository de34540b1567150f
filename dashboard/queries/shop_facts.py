"""The one place where a page meets the shop: its register, its readings and its evaluations."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np

from baulk.dashboard.server import preferences
from baulk.dashboard.server.shop_access import ask as _ask
from baulk.ingest import hand_readings, known_places, meters, plausibility
from baulk.ingest import shop as shop_module
from baulk.ingest.evaluation.document import Document
from baulk.ingest.evaluation.document_read import parse
from baulk.ingest.store import notes
from baulk.ingest.wire import topics
from baulk.models import moisture_text, sorption
from baulk.models.errors import BaulkError, OutOfRange
from baulk.models.plausible import Finding, Level
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import Reading, Series
from baulk.models.reason import Reason
from baulk.models.section import Face
from baulk.models.timber import Timber
from baulk.models.units import (
    LengthUnit,
    MassUnit,
    System,
    TemperatureUnit,
    length_mm,
    mass_kg,
)
from baulk.models.use_class import UseClass
from baulk.models.woods import Woods

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True, kw_only=True)
class ShopFacts:
    """What every page needs of the shop."""

    name: str
    system: System
    temperature: TemperatureUnit
    probability: float = 0.9  # how sure its verdicts must be, and so its sizes


@dataclass(frozen=True, slots=True, kw_only=True)
class TimberFacts:
    """Everything the Timber page shows."""

    timber: Timber
    entered_as: str  # its first tag: a form bears it, so that another tag leaves what is typed in it
    use: UseClass
    answer: Document | None
    trouble: str | None
    latest: tuple[Reading, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class AirNow:
    """The newest reading of a place's air: [degC, %RH, %]."""

    temp_c: float
    rh_pct: float
    emc_pct: float
    newest_utc: datetime


def facts() -> ShopFacts:
    """Return the shop's name, and the units of whoever looks; the shop's where nothing was chosen."""
    settings, me = _ask(lambda s: s.config), preferences.chosen()
    return ShopFacts(
        name=settings.shop.name,
        system=me.system or settings.shop.units,
        temperature=me.temperature or settings.temperature,
        probability=settings.verdict.probability,
    )


def air_topic() -> str:
    """Return the topic on which the shop's own air sensors publish."""
    return topics.own(Owner.AIR, "PLACE", _ask(lambda s: s.config.slug))


def woods() -> Woods:
    """Return the species and use classes that the shop knows, its own among them."""
    return _ask(lambda s: s.woods)


def revision() -> int:
    """Return the counter that grows with any change in the store."""
    return _ask(lambda s: s.store.revision())


def tags() -> tuple[str, ...]:
    """Return every tag, in the register's order."""
    return tuple(t.tag for t in _ask(lambda s: s.register.list()))


def places() -> tuple[str, ...]:
    """Return every place that is known, those whose air has been measured first."""

    def question(s: shop_module.Shop) -> tuple[str, ...]:
        measured = sorted({series.name for series in s.store.series(owner=Owner.AIR)})
        others = sorted(known_places.names(s, again=True) - set(measured))
        return (*measured, *others)

    return _ask(question)


def sensors_of(tag: str) -> tuple[str, ...]:
    """Return the sensors that are on a timber now."""
    known, now = _ask(lambda s: s.register.attachments()), datetime.now(UTC)
    at = {name: known.find(name, now) for name in sorted(known.steps)}
    return tuple(name for name, one in at.items() if one is not None and one.tag == tag)


def _answer(s: shop_module.Shop, tag: str) -> tuple[Document | None, str | None]:
    stored = s.store.evaluation(tag)
    if stored is None:
        return None, None
    try:
        return parse(stored[1]), None
    except BaulkError as err:
        return None, str(err)


def stamp(tag: str) -> tuple[datetime | None, tuple[Reading, ...]]:
    """Return when its evaluation was made, and the newest reading of each series; parse nothing."""

    def question(s: shop_module.Shop) -> tuple[datetime | None, tuple[Reading, ...]]:
        stored = s.store.evaluation(tag)
        return None if stored is None else stored[0], tuple(s.store.latest(Owner.TIMBER, tag))

    return _ask(question)


def timber(tag: str) -> TimberFacts:
    """Return one timber with its evaluation and the newest reading of each series."""

    def question(s: shop_module.Shop) -> TimberFacts:
        found = s.register.get(tag)
        answer, trouble = _answer(s, found.tag)
        latest = sorted(s.store.latest(Owner.TIMBER, found.tag), key=lambda r: r.taken_utc, reverse=True)
        return TimberFacts(
            timber=found,
            entered_as=s.store.names().entered_as(found.tag),
            use=s.woods.use_classes.get(found.use_class),
            answer=answer,
            trouble=trouble,
            latest=tuple(latest),
        )

    return _ask(question)


def air(place: str, days: float, now: datetime) -> pd.DataFrame:
    """Return the air of a place, thinned to at most about 1,500 steps: time, temp_c, rh_pct, emc_pct.

    EMC is computed for each reading and then averaged, never from averaged air.
    """
    import pandas as pd  # noqa: PLC0415 - slow to load, and the first page needs none

    since = now - timedelta(days=days)
    series = _ask(lambda s: s.store.air(place, since))
    frame = pd.DataFrame(
        {
            "time": pd.to_datetime(series.posix_s, unit="s", utc=True),
            "temp_c": series.temp_c,
            "rh_pct": series.rh_pct,
            "emc_pct": sorption.emc_pct(series.temp_c, series.rh_pct),
        }
    )
    step = max(900.0, days * 86400 / 1500)
    bins = np.floor(series.posix_s / step)
    return frame if len(frame) <= 1500 else frame.groupby(bins).mean().reset_index(drop=True)


def no_air(place: str) -> bool:
    """Whether nothing at all is known of the air of a place: no reading, and no climate in the settings."""

    def question(s: shop_module.Shop) -> bool:
        climate = s.config.climate
        told = climate.typical_year is not None or climate.temp_c is not None
        return not told and place not in s.store.places()

    return _ask(question)


def air_now(place: str, now: datetime) -> AirNow | None:
    """Return the newest air of a place in the last fortnight; None where there is none."""
    frame = air(place, 14, now)
    if frame.empty:
        return None
    last = frame.iloc[-1]
    return AirNow(
        temp_c=float(last["temp_c"]),
        rh_pct=float(last["rh_pct"]),
        emc_pct=float(last["emc_pct"]),
        newest_utc=datetime.fromtimestamp(last["time"].timestamp(), tz=UTC),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Typed:
    """A reading as it was understood, before it is stored."""

    series: Series
    value: float
    end_mm: float | None = None
    at_least: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """What speaks against a reading, and what it is held against if nothing does."""

    findings: tuple[Finding, ...]
    hint: Reason

    @property
    def impossible(self) -> bool:
        """Whether it can't be."""
        return any(each.level is Level.IMPOSSIBLE for each in self.findings)

    @property
    def reasons(self) -> tuple[Reason, ...]:
        """What is to be told."""
        return tuple(each.reason for each in self.findings) or (self.hint,)


def weight_typed(tag: str, weight: str, bare: MassUnit) -> Typed:
    """Read a weight that was typed."""
    series = Series(owner=Owner.TIMBER, name=tag, quantity=Quantity.WEIGHT)
    return Typed(series=series, value=mass_kg(weight, bare=bare))


def pins_typed(  # noqa: PLR0913, PLR0917 (one argument a field of the form)
    tag: str, mc: str, depth: str, face: Face | None, bare: LengthUnit, from_end: str = ""
) -> Typed:
    """Read what a pin meter said, as it was typed."""
    if not depth.strip():
        raise OutOfRange("the pin reading", "needs the depth of the pin tips beside it")
    series = Series(
        owner=Owner.TIMBER,
        name=tag,
        quantity=Quantity.MOISTURE,
        depth_mm=length_mm(depth, bare=bare),
        face=face,
    )
    end_mm = length_mm(from_end, bare=bare) if from_end.strip() else None
    shown = moisture_text.read(mc, top_pct=_ask(hand_readings.scale_end_pct))
    return Typed(series=series, value=shown.mc_pct, end_mm=end_mm, at_least=shown.at_least)


def judged(read: Typed, now: datetime) -> Judged:
    """Return what speaks against a reading by hand, by the check of commands, files and messages."""

    def question(s: shop_module.Shop) -> Judged:
        one = hand_readings.reading(
            s, read.series, read.value, now_utc=now, from_end_mm=read.end_mm, at_least=read.at_least
        )
        held = plausibility.evidence(s, one)
        return Judged(findings=held.findings(one), hint=held.hint(one))

    return _ask(question)


def store_by_hand(read: Typed, now: datetime, *, sure: bool) -> Reason | None:
    """Store a reading by hand; return why the pins are too near to an end, if they are."""
    end_mm, tag = read.end_mm, read.series.name
    if not _ask(
        lambda s: hand_readings.add(
            s, read.series, read.value, now_utc=now, from_end_mm=end_mm, at_least=read.at_least, sure=sure
        )
    ):
        raise OutOfRange("the reading", "is stored already; nothing was added")
    if end_mm is None:
        return None
    from baulk.models import end_grain  # noqa: PLC0415 - brings scipy; a reading near an end alone asks

    piece = _ask(lambda s: end_grain.as_dried(s.register.get(tag), s.register.events(tag)))
    return end_grain.why_too_near(piece, woods().species.get(piece.species), end_mm, now)


def hand_meter() -> tuple[notes.HandMeter | None, bool]:
    """Return what the shop answered about its hand meter, and whether it is still to be asked.

    Where the settings say it, there is neither an answer to change nor a question.
    """
    is_open = _ask(hand_readings.meter_is_open)
    told = _ask(lambda s: meters.tell_of_hand_meter(s.config.meter))
    return (None if told else _ask(lambda s: notes.hand_meter(s.store))), is_open


def keep_hand_meter(meter: notes.HandMeter) -> None:
    """Keep what the shop has on record of its hand meter; an unknown wood is refused with the nearest."""
    _ask(lambda s: hand_readings.keep_meter(s, meter))


def percent(mc: str) -> float:
    """Read a moisture content as it was typed."""
    try:
        return float(mc.strip().removesuffix("%").replace(",", "."))
    except ValueError as err:
        raise OutOfRange("the moisture content", f"is a number such as 28.5, not {mc!r}") from err
