"""The health of each sensor as a row: last word, battery, signal, clock, what was refused, drift."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from baulk.ingest.device_clock import Learned
from baulk.ingest.monitoring import battery, notices, sensor_drift
from baulk.ingest.monitoring.health import WINDOW, Health, SeriesHealth
from baulk.ingest.shop import Shop
from baulk.ingest.store import presence
from baulk.ingest.store.presence import Presence
from baulk.ingest.store.rejected import QuarantineGroup, Which
from baulk.ingest.wire import topics
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import sensor_of
from baulk.models.reason import Reason

TREND: Final = timedelta(days=180)  # of a battery
_APART: Final = frozenset({Quantity.WEIGHT, Quantity.MOISTURE, Quantity.RESISTANCE})
_MOST: Final = 1000  # messages of one sender that are counted one by one


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorRow:
    """One sensor.

    Parameters
    ----------
    about : str
        ``sensor/NAME`` of one with a name, else ``air/PLACE`` or ``timber/TAG``.
    on : str
        What it measures now, ``air/PLACE`` or ``timber/TAG``.
    series : tuple of str
        What it feeds.
    last_utc : datetime
        Its last word.
    usual_s : float or None
        Its usual interval. [s]
    battery_pct, battery_v : float or None
        Its last charge [%] or voltage [V].
    runs : Runs or None
        When the battery will be empty, where that can be told.
    signal_dbm : float or None
        What the gateway received last. [dBm]
    clock : Learned or None
        What was learned of its clock.
    refused : int
        Messages in quarantine that came by its topics in the last fortnight.
    refused_share : float or None
        Of those and the messages that were read meanwhile. [-]
    refused_why : str
        The reason of the newest of them.
    drifts : tuple of Reason
        What the model and its neighbours say against its series.
    beside : tuple of Reason
        What its temperature and its humidity are held against, or how to check them.
    presence : Presence or None
        What it, or the broker in its place, said of the sensor itself.
    """

    about: str
    on: str
    series: tuple[str, ...]
    last_utc: datetime
    usual_s: float | None
    battery_pct: float | None = None
    battery_v: float | None = None
    runs: battery.Runs | None = None
    signal_dbm: float | None = None
    clock: Learned | None = None
    refused: int = 0
    refused_share: float | None = None
    refused_why: str = ""
    drifts: tuple[Reason, ...] = ()
    beside: tuple[Reason, ...] = ()
    presence: Presence | None = None


def rows(shop: Shop, seen: Health, now_utc: datetime) -> list[SensorRow]:
    """Return a row for each sensor, the longest silent first.

    Parameters
    ----------
    shop : Shop
        An open shop, only read.
    seen : Health
        What `health.look` found.
    now_utc : datetime
        Now, with a time zone.
    """
    mine: dict[tuple[str, str], list[SeriesHealth]] = defaultdict(list)
    for one in seen.series:
        on = f"{one.latest.series.owner.value}/{one.latest.series.name}"
        name = sensor_of(one.latest.flags)
        mine[on if name is None else f"sensor/{name}", on].append(one)
    standing, drifts = notices.open_ones(shop), drifting(shop)
    apart = {one.about: one.reason for one in standing if one.kind == "contradiction"}
    drift = sensor_drift.kept(shop)
    lately = [one.latest.series for one in seen.series if now_utc - one.latest.taken_utc < sensor_drift.HEARD]
    stands = sensor_drift.beside(shop, lately, feed=drift.feed)
    groups, said = shop.store.quarantine_groups(), presence.all_of(shop.store)
    clocks = {one.about: one for one in reversed(seen.clocks)}
    found = []
    for (about, on), series in mine.items():
        refused = [one for one in groups if _is_of(shop, one, about, on)]
        latest = max(series, key=lambda one: one.latest.taken_utc)
        usual = [one.usual.total_seconds() for one in series if one.usual is not None]
        count = sum(_lately(shop, one, now_utc) for one in refused)
        read = max(one.count for one in series)
        names = tuple(str(one.latest.series) for one in series)
        found.append(
            SensorRow(
                about=about,
                on=on,
                series=names,
                last_utc=latest.latest.taken_utc,
                usual_s=min(usual, default=None),
                battery_pct=_last(series, Quantity.BATTERY),
                battery_v=_last(series, Quantity.BATTERY_VOLTAGE),
                runs=_runs(shop, series, now_utc),
                signal_dbm=_last(series, Quantity.SIGNAL),
                clock=clocks.get(on),
                refused=count,
                refused_share=count / (count + read) if count else None,
                refused_why=max(refused, key=lambda one: one.last_utc).reason if refused else "",
                drifts=(
                    *(drifts[name] for name in names if name in drifts),
                    *(drift.moved[name] for name in names if name in drift.moved),
                    *_apart(apart, series),
                ),
                beside=tuple(stands[name] for name in names if name in stands),
                presence=said.get(about, said.get(on)),
            )
        )
    return sorted(found, key=lambda one: one.last_utc)


def drifting(shop: Shop) -> dict[str, Reason]:
    """Return by series what the model or its neighbours say against it, as it was last looked at.

    Parameters
    ----------
    shop : Shop
        An open shop, only read.
    """
    found: dict[str, Reason] = {}
    for one in notices.open_ones(shop):
        if one.kind == "suspected pins":
            found[one.about] = one.reason
        elif one.kind == "drifting air":
            found[f"air/{one.about}/humidity"] = one.reason
    return {**found, **sensor_drift.kept(shop).departed}


def _apart(apart: Mapping[str, Reason], series: Sequence[SeriesHealth]) -> tuple[Reason, ...]:
    """Return that scale and pins of a timber contradict each other, for the sensors of both."""
    for one in series:
        which = one.latest.series
        if which.owner is Owner.TIMBER and which.quantity in _APART and which.name in apart:
            return (apart[which.name],)
    return ()


def _last(series: Sequence[SeriesHealth], quantity: Quantity) -> float | None:
    return next((one.latest.value for one in series if one.latest.series.quantity is quantity), None)


def _runs(shop: Shop, series: Sequence[SeriesHealth], now_utc: datetime) -> battery.Runs | None:
    charge = next((one for one in series if one.latest.series.quantity is Quantity.BATTERY), None)
    if charge is None or charge.silent(now_utc):
        return None
    return battery.runs(*shop.store.values(charge.latest.series, now_utc - TREND, now_utc))


def _lately(shop: Shop, group: QuarantineGroup, now_utc: datetime) -> int:
    """Count the messages of a group that came in the time that health looks at, a thousand at most."""
    since = now_utc - WINDOW
    if group.first_utc >= since:
        return group.messages
    if group.last_utc < since:
        return 0
    found = shop.store.quarantined(_MOST, Which(cause=group.cause, sender=group.sender))
    return sum(one.raw.arrived_utc >= since for one in found)


def _is_of(shop: Shop, group: QuarantineGroup, about: str, on: str) -> bool:
    """Whether messages in quarantine came by a topic of this sensor."""
    target = topics.target(group.sender, shop.config.slug)
    if target is not None:
        return (
            about == f"sensor/{target.sensor}"
            if target.sensor
            else on == f"{target.owner.value}/{target.name}"
        )
    for source in shop.config.source:
        if topics.matches(source.topic, group.sender):
            name = source.named(group.sender)
            if (f"sensor/{name}" if source.sensor is not None else f"{source.owner.value}/{name}") in {
                about,
                on,
            }:
                return True
    return False
