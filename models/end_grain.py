"""How far from an end a timber dries through the end as well, so that its section says too much.

Along the grain water moves ten to fifteen times as fast as across: 13 in beech at 40 degC and 10 % (Skaar
1958), up to 12 in spruce and up to 15 in beech (Sonderegger and others 2011), about 10 in radiata pine above
fibre saturation (Wood and Fiber Science, article 585); all read as abstracts. The drying model knows no
ends. A reading taken nearer to an end than `reach_mm` is drier than the model says by more than a point, and
the fit would take it for fast drying: in white oak half a metre after a year, a third of a metre if sealed.
A reading entered by hand can carry its distance from an end as a flag (`reading.end_flag`); the fit sets
it aside where `why_too_near` says why. A reading without the flag is taken to lie far enough from both ends.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime
from typing import Final

import numpy as np
import scipy
from numpy.typing import ArrayLike

from baulk.models.constants import DAY_S, Floats
from baulk.models.diffusion import DiffusionLaw, law_for
from baulk.models.errors import OutOfRange
from baulk.models.face_cover import CONDUCTANCE_M_S, FaceCover
from baulk.models.reason import Reason
from baulk.models.species import Species
from baulk.models.timber import Event, Timber, sealed_utc

ALONG_OVER_ACROSS: Final = 15.0  # the largest of those above: the distance errs on the safe side
ALONG_USUAL: Final = 12.0  # the middle of those above
POINT_PCT: Final = 1.0
# ends sealed later than this had dried before; our own judgement, no source
SEALED_WITHIN_S: Final = 7 * DAY_S


def end_drying_pct(  # noqa: PLR0913 - a place, a wood, an end and its air
    distance_mm: ArrayLike, law: DiffusionLaw, days: float, *, sealed: bool, above_emc_pct: float = 65.0,
    temp_c: float = 15.0,
) -> Floats:  # fmt: skip
    """How much drier a place is than its section alone would make it.

    Parameters
    ----------
    distance_mm : array_like, shape (...,)
        Distance from the end along the grain, 0 or more. [mm]
    law : DiffusionLaw
        Diffusion across the grain; taken at fibre saturation, where it is fastest.
    days : float
        Time since the end was cut or coated, 0 or more. [d]
    sealed : bool
        Whether the end was coated.
    above_emc_pct : float
        What the place would have above the air's EMC without the end; the default is green oak. [%]
    temp_c : float
        Mean temperature. [degC]

    Returns
    -------
    ndarray, shape (...,)
        Loss through the end. [% of oven-dry mass]

    Raises
    ------
    OutOfRange
        If a distance or a time is negative.

    References
    ----------
    Crank, J., 1975. The Mathematics of Diffusion, 2nd ed., Oxford, eq. 3.35 (half-space with surface
    resistance); across and along multiply (Newman 1931).
    """
    distance_m = np.asarray(distance_mm, dtype=np.float64) / 1000
    if not (np.all(distance_m >= 0) and days >= 0):
        raise OutOfRange("the distance from the end and the days", "must be 0 or more")
    along = ALONG_OVER_ACROSS * float(law.d_m2_s(law.fsp_pct, temp_c))
    spread_m = np.sqrt(along * days * DAY_S) + 1e-12
    surface = CONDUCTANCE_M_S[FaceCover.COATED if sealed else FaceCover.EXPOSED] / along
    z = distance_m / (2 * spread_m)
    gone = scipy.special.erfc(z) - np.exp(-(z**2)) * scipy.special.erfcx(z + surface * spread_m)
    return np.asarray(above_emc_pct * gone)


def reach_mm(
    law: DiffusionLaw, days: float, *, sealed: bool, above_emc_pct: float = 65.0, temp_c: float = 15.0
) -> float:
    """Distance from an end within which the section model is wrong by more than a point.

    Parameters
    ----------
    law, days, sealed, above_emc_pct, temp_c
        As in `end_drying_pct`. [-, d, -, %, degC]

    Returns
    -------
    float
        Distance; 0 where the end costs nowhere more than a point. [mm]
    """

    def over(distance_mm: float) -> float:
        return float(
            end_drying_pct(distance_mm, law, days, sealed=sealed, above_emc_pct=above_emc_pct, temp_c=temp_c)
            - POINT_PCT
        )

    if over(0.0) <= 0:
        return 0.0
    far = 1.0
    while over(far) > 0:
        far *= 2
    return float(scipy.optimize.brentq(over, 0.0, far, xtol=0.01))


def dried_share(
    length_mm: float, d_m2_s: ArrayLike, days: ArrayLike, *, sealed: bool, surface_factor: ArrayLike = 1.0
) -> Floats:
    """Share of a timber's water above the EMC that has left through both ends, beyond what its faces lost.

    Parameters
    ----------
    length_mm : float
        Length, above 0. [mm]
    d_m2_s : array_like, shape (...,)
        Diffusion across the grain near fibre saturation. [m2/s]
    days : array_like, shape (...,)
        Time since the ends were cut or coated, 0 or more. [d]
    sealed : bool
        Whether the ends were coated.
    surface_factor : array_like, shape (...,)
        Factor on the surface conductance, above 0. [-]

    Returns
    -------
    ndarray, shape (...,)
        Of the water that the section far from the ends has left, without bound for a short timber. [-]

    Notes
    -----
    Along the grain `ALONG_USUAL` times as fast as across. Across and along multiply (Newman 1931), so that
    the ends take the same share whatever the faces have left.

    References
    ----------
    Crank, J., 1975. The Mathematics of Diffusion, 2nd ed., Oxford, eq. 3.37 (what has entered a half-space
    through a surface resistance).
    """
    along = ALONG_USUAL * np.asarray(d_m2_s, dtype=np.float64)
    surface = CONDUCTANCE_M_S[FaceCover.COATED if sealed else FaceCover.EXPOSED] * np.asarray(surface_factor)
    z = surface * np.sqrt(np.asarray(days, dtype=np.float64) * DAY_S / along)
    # the two terms cancel for small z, where the series is exact
    depth_m = along / surface * np.where(z < 1e-3, z**2, scipy.special.erfcx(z) - 1 + 2 * z / np.sqrt(np.pi))
    return np.asarray(2 * depth_m / (length_mm / 1000))


def too_near_an_end(  # noqa: PLR0913 - a place, a wood, an end and its air
    distance_mm: float, law: DiffusionLaw, days: float, *, sealed: bool, above_emc_pct: float = 65.0,
    temp_c: float = 15.0,
) -> bool:  # fmt: skip
    """Whether a pin at this distance from the nearer end is one that the section model gets wrong.

    Parameters
    ----------
    distance_mm : float
        Distance from the end along the grain, 0 or more. [mm]
    law, days, sealed, above_emc_pct, temp_c
        As in `end_drying_pct`. [-, d, -, %, degC]

    Returns
    -------
    bool
        True where the end takes more than a point of moisture.
    """
    lost = end_drying_pct(distance_mm, law, days, sealed=sealed, above_emc_pct=above_emc_pct, temp_c=temp_c)
    return bool(lost > POINT_PCT)


def as_dried(timber: Timber, events: Iterable[Event]) -> Timber:
    """Return a timber with ends that count as sealed where they were in its first week.

    Parameters
    ----------
    timber : Timber
        As it stands in the register.
    events : iterable of Event
        Its events.

    Returns
    -------
    Timber
        For whatever asks how far its ends have dried; whether they are sealed today `timber.sealed_utc` says.
    """
    sealed = sealed_utc(timber, events)
    soon = sealed is not None and (sealed - timber.arrived_utc).total_seconds() <= SEALED_WITHIN_S
    return timber if soon == timber.ends_sealed else replace(timber, ends_sealed=soon)


def why_too_near(timber: Timber, species: Species, distance_mm: float, at_utc: datetime) -> Reason | None:
    """Why pins at this distance from an end are of no use for the section, if they aren't.

    Parameters
    ----------
    timber : Timber
        Its length, its arrival and whether its ends were coated count, as `as_dried` gives it.
    species : Species
        Its prior diffusion; the timber's own may be half or twice that.
    distance_mm : float
        Distance from either end along the grain, 0 or more. [mm]
    at_utc : datetime
        When the pins were read, with a time zone.

    Returns
    -------
    Reason or None
        Distance and reach of the ends; None where the pins lie far enough from both.
    """
    reach = dried_over_mm(timber, species, distance_mm, at_utc)
    if reach is None:
        return None
    nearer_mm = _nearer_mm(timber, distance_mm)
    return Reason(
        code="calibration.near_end", values={"what": "pins", "from_end_mm": nearer_mm, "reach_mm": reach}
    )


def dried_over_mm(timber: Timber, species: Species, distance_mm: float, at_utc: datetime) -> float | None:
    """Return how far the end has dried a timber, if a place lies within that.

    Parameters
    ----------
    timber, species, distance_mm, at_utc
        As in `why_too_near`. [mm]

    Returns
    -------
    float or None
        As from `reach_mm`; None where the place lies far enough from both ends. [mm]
    """
    days = max(0.0, (at_utc - timber.arrived_utc).total_seconds() / DAY_S)
    law, sealed = law_for(species), timber.ends_sealed
    if not too_near_an_end(_nearer_mm(timber, distance_mm), law, days, sealed=sealed):
        return None
    return reach_mm(law, days, sealed=sealed)


def _nearer_mm(timber: Timber, distance_mm: float) -> float:
    """Return how far a place is from the nearer end, [mm]."""
    return max(0.0, min(distance_mm, timber.length_mm - distance_mm))
