"""Checks on readings. A flag is added, a reading never dropped; only what can't be goes to quarantine.

The limits are common practice and our own, without a published source, except: pin readings mean something
up to fibre saturation only (Wood Handbook FPL-GTR-282, p. 13-3: about 6 to 30 %); a device clock before 2000
was never set (a rule of time-protocol clients); humidity near 100 % is a wet sensor (a sensor maker's note).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from datetime import timedelta
from operator import attrgetter
from typing import Final

from baulk.ingest.store import Store
from baulk.models import plausible, text
from baulk.models.quantity import SPECS, Quantity
from baulk.models.reading import Reading, Series

POSSIBLE: Final = {one: spec.possible for one, spec in SPECS.items()}
_JUMP: Final = {one: spec.jump for one, spec in SPECS.items() if spec.jump is not None}


def impossible(reading: Reading) -> str | None:
    """Say why a value can't be true, or nothing."""
    low, high = POSSIBLE[reading.series.quantity]
    if low <= reading.value <= high:
        return None
    why = plausible.beyond(reading)
    return None if why is None else text.sentence(why, "metric")


def _above_fsp(reading: Reading, before: Reading | None) -> str | None:  # noqa: ARG001
    return "above-fsp" if reading.value > 30 else None


def _below_meter(reading: Reading, before: Reading | None) -> str | None:  # noqa: ARG001
    return "below-meter" if reading.value < 6 else None


def _ratio(reading: Reading, before: Reading | None) -> str | None:  # noqa: ARG001
    return "ratio" if plausible.looks_like_ratio(reading) else None


def _wet_sensor(reading: Reading, before: Reading | None) -> str | None:  # noqa: ARG001
    return "wet-sensor" if reading.value >= 99 else None


def _jump(reading: Reading, before: Reading | None) -> str | None:
    if before is None or abs(reading.value - before.value) <= _JUMP[reading.series.quantity]:
        return None
    return "jump" if timedelta(0) < reading.taken_utc - before.taken_utc < timedelta(days=1) else None


def _weight_gain(reading: Reading, before: Reading | None) -> str | None:
    if before is None or before.taken_utc > reading.taken_utc:  # brought in late, it was heavier then
        return None
    return "weight-gain" if reading.value > plausible.HEAVIER * before.value else None


Check = Callable[[Reading, Reading | None], str | None]
CHECKS: Final[Mapping[Quantity, tuple[Check, ...]]] = {
    Quantity.MOISTURE: (_above_fsp, _below_meter, _ratio),
    Quantity.WEIGHT: (_weight_gain,),
    Quantity.HUMIDITY: (_wet_sensor, _ratio),
}
_ALL: Final = {one: (*CHECKS.get(one, ()), *((_jump,) if one in _JUMP else ())) for one in Quantity}
# flags that checks give and that are made anew with a new value
NAMES: Final = frozenset(
    {"above-fsp", "below-meter", "wet-sensor", "jump", "weight-gain", "ratio", "before-arrival"}
)
_COMPARED: Final = frozenset({*_JUMP, Quantity.WEIGHT})


# What a value raises no flag by itself in; outside, the checks above are asked. A test holds both together.
_QUIET: Final = {Quantity.MOISTURE: (6.0, 30.0), Quantity.HUMIDITY: (2.0, 98.0)}


class _Line:
    """One series of a batch: what needs no check, and the reading before."""

    __slots__ = ("before", "checks", "high", "low", "rises", "step")

    def __init__(self, series: Series) -> None:
        quantity = series.quantity
        self.checks = _ALL[quantity]
        self.low, self.high = _QUIET.get(quantity, (-math.inf, math.inf))
        self.step = _JUMP.get(quantity, math.inf)
        self.rises = quantity is not Quantity.WEIGHT  # what it may without a flag
        self.before: Reading | None = None


def flag(readings: Iterable[Reading], store: Store) -> tuple[Reading, ...]:
    """Run the checks of its quantity on every reading, each against the newest earlier one of its series."""
    in_order = sorted(readings, key=attrgetter("taken_utc"))
    every = {id(one.series): one.series for one in in_order}  # to hash each reading's would take longer
    by_series = {series: _Line(series) for series in every.values()}
    if asked := [one for one in by_series if one.quantity in _COMPARED]:
        for last in store.latest_of(asked):
            by_series[last.series].before = last
    lines = {number: by_series[series] for number, series in every.items()}
    flagged = []
    for reading in in_order:
        line, value = lines[id(reading.series)], reading.value
        before = line.before
        if not line.low <= value <= line.high or (
            before is not None
            and not (
                abs(value - before.value) <= line.step
                and (line.rises or value <= plausible.HEAVIER * before.value)
            )
        ):
            flagged.append(_checked(reading, before, line.checks))
        else:
            flagged.append(reading)
        if before is None or before.taken_utc < reading.taken_utc:
            line.before = reading
    return tuple(flagged)


def _checked(reading: Reading, before: Reading | None, those: tuple[Check, ...]) -> Reading:
    marks = [name for check in those if (name := check(reading, before)) and name not in reading.flags]
    return replace(reading, flags=(*reading.flags, *marks)) if marks else reading
