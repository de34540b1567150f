"""What the yard puts into a timber's prior, and what its fit teaches the yard."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Final, Literal

import numpy as np

from baulk.models.calibrate.parameters import PARAMETERS, middle, spreads
from baulk.models.constants import Floats
from baulk.models.diffusion import DiffusionLaw
from baulk.models.known_readings import Kind as ReadingKind
from baulk.models.meter.profile import Corrections
from baulk.models.quantity import Quantity
from baulk.models.reading import sensor_of
from baulk.models.reason import Reason
from baulk.models.species import Species
from baulk.models.timber import Timber
from baulk.models.yard.estimates import Posterior
from baulk.models.yard.kinship import LEARNED, Origin, Taught
from baulk.models.yard.prior import Learned, YardPrior, prior_of
from baulk.models.yard.track_record import Spread

HAND: Final = "hand-held meter"
FIXED: Final = "fixed sensors"
ONE_METER: Final = 0.8  # of the readings by one meter give a timber that meter; our own judgement, no source
_ROWS: Final = tuple(i for i, each in enumerate(PARAMETERS) if each.name in LEARNED)
_PINS: Final = frozenset({Quantity.RESISTANCE, Quantity.MOISTURE})


def defaults(timber: Timber, species: Species, law: DiffusionLaw) -> dict[str, tuple[float, float]]:
    """Give mean and standard deviation of the prior of each number that a yard can teach a timber.

    Parameters
    ----------
    timber, species : Timber and Species
        The timber and its wood.
    law : DiffusionLaw
        The species' law.

    Returns
    -------
    dict of str to (float, float)
        By name, each in its own unit: as for a timber of which nothing is known at all; a start that was
        measured counts as a reading.
    """
    unmeasured = replace(timber, green_mc_pct=None)
    centre, sd = middle(unmeasured, species, law), spreads(unmeasured, species)
    return {PARAMETERS[i].name: (float(centre[i]), float(sd[i])) for i in _ROWS}


def posterior(
    theta: Floats, timber: Timber, species: Species, law: DiffusionLaw, yard: YardPrior | None
) -> Posterior:
    """Give what a fit found of the numbers that a yard can teach, with the prior that it had.

    Parameters
    ----------
    theta : ndarray, shape (22, m)
        The ensemble after the fit.
    timber, species : Timber and Species
        The timber and its wood.
    law : DiffusionLaw
        The species' law.
    yard : YardPrior or None
        What the yard had taught the fit.

    Returns
    -------
    Posterior
        Each number in its own unit. A start that was measured on arrival counts as found by the fit.
    """
    usual = defaults(timber, species, law)
    names = tuple(usual)
    known = YardPrior() if yard is None else yard
    before = [usual[name] if (row := known.row(name)) is None else (row.mean, row.sd) for name in names]
    hanging = np.eye(len(names))
    if known.together:
        at = [names.index(name) for name in known.together]
        hanging[np.ix_(at, at)] = known.correlation
    sd = np.array([each for _, each in before])
    of_fit = theta[list(_ROWS)]
    return Posterior(
        names=names,
        mean=of_fit.mean(axis=1),
        cov=np.cov(of_fit),
        prior_mean=np.array([mean for mean, _ in before]),
        prior_cov=np.outer(sd, sd) * hanging,
        default_mean=np.array([mean for mean, _ in usual.values()]),
        default_sd=np.array([sd for _, sd in usual.values()]),
        members=theta.shape[1],
    )


def meter_of(kinds: Mapping[ReadingKind, int], corrections: Corrections) -> str | None:
    """Name the meter that read a timber's pins.

    Parameters
    ----------
    kinds : mapping of known_readings.Kind to int
        How many readings of each series, flags and source one timber has; see
        `baulk.models.known_readings.KnownReadings.kinds`.
    corrections : sequence of MeterSetting
        The shop's meters; one that is named there for some series is known by that pattern.

    Returns
    -------
    str or None
        The sensor that moves, the pattern in the settings, the hand-held meter, or the sensors that stay in
        the wood; None where there are no readings of pins or where no one of these took four in five.
    """
    found: Counter[str] = Counter()
    for (series, flags, source), count in kinds.items():
        if series.quantity in _PINS:
            found[_meter(str(series), source, sensor_of(flags), corrections)] += count
    if not found:
        return None
    name, count = found.most_common(1)[0]
    return name if count >= ONE_METER * found.total() else None


def _meter(series: str, source: str, sensor: str | None, corrections: Corrections) -> str:
    if sensor is not None:
        return f"sensor {sensor}"
    setting = next((each for each in corrections if each.holds_for(series)), None)
    if setting is not None and setting.series != "*":
        return f"meter of {setting.series}"
    return FIXED if source == "mqtt" else HAND


Kind = Literal["wood", "meter", "place", "forecasts"]

_NINETY: Final = 1.645  # standard deviations to each end of a 90 % interval
_CENTRED: Final = ("meter_bias", "ln_surface", "emc_offset")  # priors whose middle is 0
_DEFAULTS: Final = {each.name: (0.0, each.sd) for each in PARAMETERS if each.name in _CENTRED}
_NOBODY: Final = "\0"  # no timber's tag, place or meter


@dataclass(frozen=True, slots=True, kw_only=True)
class Lesson:
    """One thing that the yard has learned.

    Parameters
    ----------
    kind : {"wood", "meter", "place", "forecasts"}
        What it is about.
    about : str
        Which wood, meter or place.
    reason : Reason
        What, as code and values.
    value, low, high : float
        The same as a number and its 90 % interval: a factor [-], or points of moisture [%].
    timbers : int
        How many speak; of forecasts, how many were held against what came.
    """

    kind: Kind
    about: str
    reason: Reason
    value: float
    low: float
    high: float
    timbers: int

    @property
    def backing(self) -> str:
        """How many speak, in words."""
        what = "comparison" if self.kind == "forecasts" else "timber"
        return f"{self.timbers} {what}{'' if self.timbers == 1 else 's'}"


def lessons(
    taught: Sequence[Taught], woods: Mapping[str, tuple[float, float]], spreads: Mapping[str, Spread]
) -> tuple[Lesson, ...]:
    """Return what a yard has learned.

    Parameters
    ----------
    taught : sequence of Taught
        What each timber taught.
    woods : mapping of str to (float, float)
        Mean and standard deviation of the default prior of ln D, by species; those left out are not told of.
    spreads : mapping of str to Spread
        Factor on the width of forecasts by species.

    Returns
    -------
    tuple of Lesson
        Woods, meters, places, then forecasts, each by name; only those of which somebody speaks.
    """
    found = []
    for wood in sorted(woods):
        row = _row(taught, "ln_d", woods[wood], species=wood)
        if row is not None:
            found.append(_factor("wood", wood, row, "yard.wood_dries"))
    for meter in sorted({each.timber.meter for each in taught if each.timber.meter}):
        row = _row(taught, "meter_bias", meter=meter)
        if row is not None and row.near:
            found.append(_points("meter", meter, row, "yard.meter_reads"))
    for place in sorted({each.timber.place for each in taught if each.timber.place}):
        row = _row(taught, "ln_surface", place=place)
        if row is not None and row.near:
            found.append(_factor("place", place, row, "yard.place_dries_faces"))
        row = _row(taught, "emc_offset", place=place)
        if row is not None and row.near:
            found.append(_points("place", place, row, "yard.place_settles"))
    found += [_of_forecasts(wood, each) for wood, each in sorted(spreads.items()) if each.compared]
    return tuple(found)


def _row(
    taught: Sequence[Taught], name: str, usual: tuple[float, float] | None = None, **of: str
) -> Learned | None:
    """Prior of one number of a timber that is new in every way but those given, about its default."""
    middle, sd = usual or _DEFAULTS[name]
    given = {"species": _NOBODY, "place": _NOBODY, "meter": _NOBODY} | of
    new = Origin(tag=_NOBODY, arrived_at=_NOBODY, arrived_utc=datetime.max.replace(tzinfo=UTC), **given)
    row = prior_of(new, taught, {name: (middle, sd)}).row(name)
    return replace(row, mean=row.mean - middle) if row is not None and row.timbers else None


def _factor(kind: Kind, about: str, row: Learned, code: str) -> Lesson:
    low, value, high = (
        float(each) for each in np.exp(row.mean + _NINETY * row.sd * np.array([-1.0, 0.0, 1.0]))
    )
    reason = Reason(code=code, values={"about": about, "factor": (low, value, high)})
    return _lesson(kind, about, reason, row, (low, value, high))


def _points(kind: Kind, about: str, row: Learned, code: str) -> Lesson:
    low, value, high = (row.mean + _NINETY * row.sd * each for each in (-1.0, 0.0, 1.0))
    reason = Reason(code=code, values={"about": about, "off_pct": (low, value, high)})
    return _lesson(kind, about, reason, row, (low, value, high))


def _lesson(kind: Kind, about: str, reason: Reason, row: Learned, span: tuple[float, float, float]) -> Lesson:
    low, value, high = (round(each, 3) for each in span)
    return Lesson(
        kind=kind,
        about=about,
        reason=reason,
        value=value,
        low=low,
        high=high,
        timbers=row.near or row.timbers,
    )


def _of_forecasts(wood: str, spread: Spread) -> Lesson:
    reason = Reason(code="yard.forecasts_widened", values={"species": wood, "factor": spread.factor})
    return Lesson(
        kind="forecasts", about=wood, reason=reason, value=spread.factor, low=spread.factor,
        high=spread.factor, timbers=spread.compared,
    )  # fmt: skip
