"""Whether a thermometer has departed from those beside it: others in its place, or the weather outside.

In one place air and wood are as warm as each other over days, whatever a heater does, so that three or more
thermometers there tell which has moved, and two that one of them has. Beside the weather outside alone a
heater or a door does what a sensor that drifts does; there only a large move is told, with both causes.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from baulk.models import neighbours
from baulk.models.constants import Floats

DEPARTED_K: Final = 2.0  # in one place: 0.1 to 0.3 points of moisture; our own judgement, no source
FROM_WEATHER_K: Final = (
    4.0  # beside the weather alone, which sun and season move; our own judgement, no source
)


def departed(days: Mapping[str, Floats]) -> dict[str, float]:
    """Return the thermometers of one place that have moved against all others there, and by how much.

    Parameters
    ----------
    days : mapping of str to ndarray
        What `neighbours.daily` gives of each. [degC]

    Returns
    -------
    dict of str to float
        By sensor the change, above 0 for warmer; none where fewer than three stand together. [K]

    References
    ----------
    None: that air and wood of one place are as warm as each other over days is our own judgement; a 200 mm
    timber follows a step of the air within a day or two.
    """
    return neighbours.departed(days, lambda by: abs(by) >= DEPARTED_K)


def apart(one: Floats, other: Floats) -> float | None:
    """Return how far one of the two thermometers of a place has moved against the other. [K].

    Parameters
    ----------
    one, other : ndarray
        What `neighbours.daily` gives of each. [degC]
    """
    return neighbours.apart(one, other, lambda by: abs(by) >= DEPARTED_K)


def from_weather(one: Floats, outside: Floats) -> float | None:
    """Return how far a lone thermometer has moved against the weather outside. [K].

    Parameters
    ----------
    one, outside : ndarray
        What `neighbours.daily` gives of each. [degC]
    """
    return neighbours.apart(one, outside, lambda by: abs(by) >= FROM_WEATHER_K)
