"""How the shop's sensors are: who has gone silent, whose battery sinks, whose clock or value stands still.

The limits are our own judgement, without a published source; each is a constant with its reason.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

import numpy as np

from baulk.ingest import device_clock, host_clock
from baulk.ingest.device_clock import Learned
from baulk.ingest.evaluation.due import SENSORS_EVERY
from baulk.ingest.monitoring import machine
from baulk.ingest.monitoring.finding import Finding, Trouble
from baulk.ingest.shop import Shop
from baulk.ingest.store import forwarders, notes
from baulk.models.constants import Floats
from baulk.models.quantity import OF_DEVICE, SPECS, Owner, Quantity
from baulk.models.reading import Reading, Series
from baulk.models.reason import Reason, Values

WINDOW: Final = timedelta(days=14)
LONG_WINDOW: Final = timedelta(days=120)  # for what speaks seldom, such as a scale once a month
MISSED: Final = 3.0  # times its usual interval before a sensor counts as silent
AT_LEAST: Final = timedelta(hours=6)  # a shop's radio may be off overnight
UNKNOWN_INTERVAL: Final = timedelta(days=2)
BATTERY_PCT: Final = 20.0
BATTERY_DROP: Final = 0.85  # of its best voltage in the window; cells differ, so no fixed voltage
AHEAD: Final = timedelta(minutes=1)  # of us; a device that is behind may have kept it while out of reach
STUCK: Final = timedelta(hours=48)
STUCK_LEAST: Final = 24  # readings
TOLD: Final = timedelta(days=7)  # that a lost session is told
FORWARDER_QUIET: Final = timedelta(days=1)  # a poor link is away for hours
ROOM_USED: Final = 0.8  # of a forwarder's room
RENEWED: Final = timedelta(days=30)  # before its end a certificate should be
NAMED: Final = 4  # timbers that a finding names
MOVES: Final = frozenset(one for one, spec in SPECS.items() if spec.restless)

Course = tuple[Floats, Floats]  # when a series was read, POSIX seconds, and its values


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesHealth:
    """One series of one sensor in the last fortnight.

    Parameters
    ----------
    latest : Reading
        Its newest reading.
    count : int
        Readings in the window.
    usual : timedelta or None
        Interval between two readings, the median.
    longest_gap : timedelta or None
        Longest silence within the window, up to now.
    clock_off : timedelta
        How much later the newest one arrived than it was taken, by a right clock as far as is known.
    """

    latest: Reading
    count: int
    usual: timedelta | None
    longest_gap: timedelta | None
    clock_off: timedelta

    def silent(self, now_utc: datetime) -> bool:
        """Return whether it has been quiet for longer than it usually is."""
        allowed = max(self.usual * MISSED, AT_LEAST) if self.usual else UNKNOWN_INTERVAL
        return now_utc - self.latest.taken_utc > allowed


@dataclass(frozen=True, slots=True, kw_only=True)
class Health:
    """The whole shop.

    Parameters
    ----------
    series : tuple of SeriesHealth
        Those that sensors feed, the longest silent first.
    findings : tuple of Finding
        What to see to.
    quarantined : int
        Messages in quarantine.
    clocks : tuple of Learned
        What was learned of the devices' clocks, the most wrong first.
    """

    series: tuple[SeriesHealth, ...]
    findings: tuple[Finding, ...]
    quarantined: int
    clocks: tuple[Learned, ...] = ()


def look(shop: Shop, now_utc: datetime) -> Health:
    """Look at every series that a sensor feeds, at quarantine and at the verdicts' age.

    Parameters
    ----------
    shop : Shop
        An open shop, only read.
    now_utc : datetime
        Now, with a time zone.
    """
    standing = {timber.tag for timber in shop.register.list()}
    seen: list[SeriesHealth] = []
    clocks, devices = host_clock.spans(shop.store), device_clock.learned(shop.store)
    found = _of_devices(devices, now_utc)
    owners = sorted({(series.owner, series.name) for series in shop.store.series()})
    for owner, name in owners:
        if owner is Owner.TIMBER and name not in standing:
            continue  # retired: nobody minds its silence
        for latest in shop.store.latest(owner, name):
            if latest.source != "mqtt":
                continue
            course = shop.store.values(latest.series, now_utc - WINDOW, now_utc)
            if course[0].size < 3:
                course = shop.store.values(latest.series, now_utc - LONG_WINDOW, now_utc)
            one = _series(latest, course[0], now_utc, host_clock.ahead_s(clocks, latest.arrived_utc))
            seen.append(one)
            found += _findings(one, course, now_utc)
    found += _silent(seen, now_utc)
    found += _host(clocks)
    count = shop.store.quarantine_count()
    if count:
        found.append(
            Finding(
                kind=Trouble.QUARANTINE,
                about="messages",
                reason=Reason(code="health.quarantine", values={"messages": count}),
            )
        )
    found += _of_broker(shop, now_utc)
    found += _of_forwarders(shop, now_utc)
    found += _behind(shop, now_utc)
    found += machine.look(shop, now_utc)
    seen.sort(key=lambda each: each.latest.taken_utc)
    return Health(
        series=tuple(seen), findings=tuple(_gathered(found)), quarantined=count, clocks=tuple(devices)
    )


def _host(clocks: Sequence[host_clock.Span]) -> list[Finding]:
    """Name our own clock while the sensors agree against it."""
    if not clocks or clocks[-1].until_utc is not None:
        return []
    last = clocks[-1]
    values: Values = {
        "ahead_s": math.copysign(_coarse_s(timedelta(seconds=last.ahead_s)), last.ahead_s),
        "devices": last.devices,
    }
    reason = Reason(code="health.host_clock", values=values)
    return [Finding(kind=Trouble.CLOCK, about="this machine", reason=reason)]


def clock_reason(one: Learned) -> Reason:
    """Return what is known of a device's clock, in whole units."""
    off_s = 3600.0 * round(one.behind_s / 3600) if one.is_whole else one.behind_s
    drift = None if one.drift_s_day is None else float(round(one.drift_s_day))
    return Reason(
        code="health.device_clock" if one.is_wrong else "health.clock_runs",
        values={
            "about": one.about,
            "behind_s": 60.0 * round(off_s / 60) if one.is_wrong else float(round(off_s)),
            "since_utc": one.since_utc.replace(second=0, microsecond=0),
            "drift_s_day": drift,
            "is_whole": one.is_whole,
            "is_corrected": one.is_corrected,
        },
    )


def _of_devices(devices: Iterable[Learned], now_utc: datetime) -> list[Finding]:
    """Name devices that are heard of and whose clock is off, though what they say could be true."""
    wrong = (one for one in devices if one.is_wrong and now_utc - one.last_utc < WINDOW)
    return [Finding(kind=Trouble.CLOCK, about=one.about, reason=clock_reason(one)) for one in wrong]


def _series(latest: Reading, times: Floats, now_utc: datetime, ahead_s: float) -> SeriesHealth:
    steps = np.diff(times)
    usual = timedelta(seconds=float(np.median(steps))) if len(steps) >= 2 else None
    gaps = np.append(steps, now_utc.timestamp() - times[-1]) if len(times) else steps
    return SeriesHealth(
        latest=latest,
        count=len(times),
        usual=usual,
        longest_gap=timedelta(seconds=float(gaps.max())) if len(gaps) else None,
        clock_off=latest.arrived_utc - timedelta(seconds=ahead_s) - latest.taken_utc,
    )


def _findings(one: SeriesHealth, course: Course, now_utc: datetime) -> list[Finding]:
    series, found = one.latest.series, []
    if series.quantity in OF_DEVICE and not one.silent(now_utc):
        found += _battery(one, course[1])
    ahead = -one.clock_off > AHEAD
    if "clock" in one.latest.flags or ahead:
        sensor = _sensor(series)
        off_s = _coarse_s(one.clock_off) if ahead else None
        found.append(
            Finding(
                kind=Trouble.CLOCK,
                about=sensor,
                reason=Reason(code="health.clock", values={"about": sensor, "ahead_s": off_s}),
            )
        )
    if series.quantity in MOVES and _stuck(course, now_utc):
        found.append(
            Finding(
                kind=Trouble.STUCK,
                about=str(series),
                reason=Reason(
                    code="health.stuck",
                    values={
                        "series": str(series),
                        "quantity": series.quantity.value,
                        "value": one.latest.value,
                        "unit": one.latest.unit,
                    },
                ),
            )
        )
    return found


def _silent(seen: Iterable[SeriesHealth], now_utc: datetime) -> list[Finding]:
    """Name a sensor once if all of it is silent, else only the series that are."""
    by_sensor: dict[str, list[SeriesHealth]] = {}
    for one in seen:
        by_sensor.setdefault(_sensor(one.latest.series), []).append(one)
    found = []
    for sensor, mine in by_sensor.items():
        quiet = [one for one in mine if one.silent(now_utc)]
        whole = len(quiet) == len(mine)
        for one in quiet[:1] if whole else quiet:
            last = max(quiet, key=lambda each: each.latest.taken_utc) if whole else one
            about = sensor if whole else str(last.latest.series)
            values: Values = {
                "about": about,
                "silent_s": _coarse_s(now_utc - last.latest.taken_utc),
                "usual_s": _coarse_s(last.usual) if last.usual else None,
            }
            found.append(
                Finding(kind=Trouble.SILENT, about=about, reason=Reason(code="health.silent", values=values))
            )
    return found


def _battery(one: SeriesHealth, values: Floats) -> list[Finding]:
    series, value = one.latest.series, one.latest.value
    best = float(values.max()) if values.size else value
    level: dict[str, float]
    if series.quantity is Quantity.BATTERY:
        low, level = value < BATTERY_PCT, {"charge_pct": float(round(value))}
    else:
        low, level = value < BATTERY_DROP * best, {"volts": round(value, 2), "best_volts": round(best, 2)}
    if not low:
        return []
    sensor = _sensor(series)
    reason = Reason(code="health.battery", values={"about": sensor, **level})
    return [Finding(kind=Trouble.BATTERY, about=sensor, reason=reason)]


def _stuck(course: Course, now_utc: datetime) -> bool:
    times, values = (each[course[0] >= (now_utc - STUCK).timestamp()] for each in course)
    long = times.size >= STUCK_LEAST and times[-1] - times[0] > 0.8 * STUCK.total_seconds()
    return bool(long and values.min() == values.max())


def _of_broker(shop: Shop, now_utc: datetime) -> list[Finding]:
    """Tell of sessions that the broker lost, and of its certificate before it ends."""
    found: list[Finding] = []
    for kept in notes.sessions(shop.store).values():
        until = kept.trusted_until_utc
        if until is not None and until - now_utc < RENEWED:
            values: Values = {"broker": kept.broker, "until_utc": until}
            reason = Reason(code="health.certificate", values=values)
            found.append(Finding(kind=Trouble.CERTIFICATE, about=kept.broker, reason=reason))
        for start, end in kept.gone:
            if now_utc - end < TOLD:
                span: Values = {
                    "since_utc": start.replace(microsecond=0),
                    "until_utc": end.replace(microsecond=0),
                }
                reason = Reason(code="health.session", values=span)
                found.append(Finding(kind=Trouble.SESSION, about=f"{end:%Y-%m-%d %H:%M} UTC", reason=reason))
    return found


def _of_forwarders(shop: Shop, now_utc: datetime) -> list[Finding]:
    """Tell of yards far away that are not heard of, whose room runs out, or whose messages are not taken."""
    found = []
    for one in forwarders.all_of(shop.store):
        quiet = now_utc - one.at_utc
        full = one.used_mb > ROOM_USED * one.room_mb
        if quiet < FORWARDER_QUIET and not full and not one.refused:
            continue
        values: Values = {
            "name": one.name,
            "silent_s": _coarse_s(quiet) if quiet >= FORWARDER_QUIET else None,
            "waiting": one.waiting,
            "refused": one.refused,
            "used_pct": float(round(100 * one.used_mb / one.room_mb)) if full else None,
            "days": one.days_left if full else None,
        }
        reason = Reason(code="health.forwarder", values=values)
        found.append(Finding(kind=Trouble.FORWARDER, about=one.name, reason=reason))
    return found


def _behind(shop: Shop, now_utc: datetime) -> list[Finding]:
    made = shop.store.evaluated()
    late = [tag for tag in shop.store.stale() if tag in made and now_utc - made[tag] > 2 * SENSORS_EVERY]
    if not late:
        return []
    values: Values = {"tags": tuple(late[:NAMED]), "more": max(len(late) - NAMED, 0)}
    return [
        Finding(kind=Trouble.BEHIND, about="forecasts", reason=Reason(code="health.behind", values=values))
    ]


def _gathered(found: Iterable[Finding]) -> list[Finding]:
    """One finding of a kind a sensor, however many series it feeds."""
    kept: dict[tuple[Trouble, str], Finding] = {}
    for each in found:
        kept.setdefault((each.kind, each.about), each)
    order = list(Trouble)
    return sorted(kept.values(), key=lambda each: (order.index(each.kind), each.about))


def _sensor(series: Series) -> str:
    return f"{series.owner.value}/{series.name}"


def _coarse_s(length: timedelta) -> float:
    """Return a length in whole units, in seconds: a finding changes only when its words do."""
    seconds = abs(length.total_seconds())
    for size, least in ((86_400.0, 2 * 86_400.0), (3_600.0, 3_600.0), (60.0, 60.0)):
        if seconds >= least:
            return round(seconds / size) * size
    return float(round(seconds))
