"""A yard whose timbers have taught something, of any number: lots, two meters, two places."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np

from baulk.models.yard.estimates import Estimate, JointEstimate, Own
from baulk.models.yard.kinship import JOINT_PARAMETERS, Origin, Taught

CAME = datetime(2018, 4, 7, 9, tzinfo=UTC)
DAY = timedelta(days=1)
DEFAULTS = {
    "ln_d": (0.0, 0.69), "slope": (0.098, 0.035), "ln_ratio": (0.0, 0.2), "ln_raised": (0.0, 0.4),
    "start": (64.0, 9.6), "ln_surface": (0.0, 0.5), "emc_offset": (0.0, 1.0), "meter_bias": (0.0, 1.5),
    "wet_slope": (0.2, 0.12),
}  # fmt: skip
MIDDLE, SD = (np.array(each) for each in zip(*(DEFAULTS[name] for name in JOINT_PARAMETERS), strict=True))
SHARP = np.array([3, 0.5, 0.3, 0.3, 1, 1, 0.5, 1, 1])


def said(rng, truth):
    """What a timber's own readings say of its numbers, from a linear fit of twelve readings."""
    seen = rng.normal(0, 1, (12, 9)) * SHARP
    precision, pull = seen.T @ seen / 4, seen.T @ (seen @ truth + rng.normal(0, 2, 12)) / 4
    says = {}
    for i, name in enumerate(JOINT_PARAMETERS):
        rest = np.arange(9) != i
        through = np.linalg.solve(precision[rest][:, rest] + np.eye(8), precision[rest, i])
        told = precision[i, i] - precision[i, rest] @ through
        value = (pull[i] - through @ pull[rest]) / told
        says[name] = Estimate(value=float(MIDDLE[i] + SD[i] * value), sd=float(SD[i] * told**-0.5))
    natural = precision / np.outer(SD, SD)
    return Own(
        says=says,
        together=JointEstimate(names=JOINT_PARAMETERS, precision=natural, pull=pull / SD + natural @ MIDDLE),
    )


def yard_of(timbers, per, woods=("white oak",), seed=3):
    """Timbers in lots of about that many, read by two meters, lying in two places."""
    rng, found, lot = np.random.default_rng(seed), [], 0
    population = rng.normal(0, 0.5, 9)
    while len(found) < timbers:
        middle = population + rng.normal(0, 0.5, 9)
        for k in range(min(1 + rng.poisson(per - 1), timbers - len(found))):
            here = Origin(
                tag=f"L{lot:03d}-{k}", species=woods[lot % len(woods)], arrived_utc=CAME + 5 * lot * DAY,
                arrived_at="quay", place=("slip", "loft", None)[lot % 3],
                meter=("hand-held meter", "old meter")[k % 2],
            )  # fmt: skip
            found.append(Taught(timber=here, own=said(rng, middle + rng.normal(0, 0.4, 9))))
        lot += 1
    return found
