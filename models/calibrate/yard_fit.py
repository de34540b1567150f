"""Between a fit and the yard: what a fit hands on to other timbers, and by what meter it was read."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from baulk.models.calibrate.parameters import PARAMETERS, middle, spreads
from baulk.models.diffusion import DiffusionLaw
from baulk.models.meter.profile import Corrections
from baulk.models.quantity import Quantity
from baulk.models.reading import Reading, sensor_of
from baulk.models.species import Species
from baulk.models.timber import Timber
from baulk.models.yard.estimates import Posterior
from baulk.models.yard.prior import LEARNED, YardPrior

Floats = NDArray[np.float64]

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


def meter_of(readings: Iterable[Reading], corrections: Corrections) -> str | None:
    """Name the meter that read a timber's pins.

    Parameters
    ----------
    readings : iterable of Reading
        Of one timber.
    corrections : sequence of MeterSetting
        The shop's meters; one that is named there for some series is known by that pattern.

    Returns
    -------
    str or None
        The sensor that moves, the pattern in the settings, the hand-held meter, or the sensors that stay in
        the wood; None where there are no readings of pins or where no one of these took four in five.
    """
    found: Counter[str] = Counter()
    known: dict[tuple[str, str, str | None], str] = {}
    for each in readings:
        if each.series.quantity not in _PINS:
            continue
        key = (str(each.series), each.source, sensor_of(each.flags))
        if key not in known:
            known[key] = _meter(*key, corrections)
        found[known[key]] += 1
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
