"""What the moisture at the tips of a pin says about the mean of the whole section.

In a board that has dried for a while the departure from the surface falls along a half sine wave (the first
term of the series solution); in a steady kiln or late in a slow yard it is closer to a parabola. With ``u``
the depth as a share of the thickness, pins in the middle of a face:

=========  ==================  =======  ==========================  ================================
profile    departure at u      mean     board (dries on two faces)  square timber (dries on four)
=========  ==================  =======  ==========================  ================================
sine       sin(pi u)           2/pi     sin(pi u) = 2/pi: 0.2197    sin(pi u) = (2/pi)^2: 0.1328
parabola   4 u (1 - u)         2/3      4 u (1 - u) = 2/3: 0.2113   4 u (1 - u) = (2/3)^2: 0.1273
=========  ==================  =======  ==========================  ================================

On four faces the departure is the product of the two directions, so its mean is the square, while the pin in
the middle of a face sees the full height of the other direction. The trade's fifth to quarter of the
thickness is right for a board and, on a timber, reads the core's side.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

from baulk.models.errors import OutOfRange

Profile = Literal["sine", "parabola"]
DryingFaces = Literal[2, 4]
_MEAN: Final = {"sine": 2 / math.pi, "parabola": 2 / 3}
_SHALLOWEST: Final = 0.05  # as a share of the side; nearer the face the answer rests on the surface alone


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanAnswer:
    """Mean moisture content of a section as one pin depth tells it.

    Parameters
    ----------
    mc_pct : float
        Mean of the section. [%]
    sd_pct : float
        Doubt from the reading and from the unknown profile. [%]
    at_least : bool
        Whether the pin itself only said "at least".
    """

    mc_pct: float
    sd_pct: float
    at_least: bool = False


def mean_depth_share(faces: DryingFaces, profile: Profile = "sine") -> float:
    """Depth at which a pin in the middle of a face reads the mean.

    Parameters
    ----------
    faces : {2, 4}
        Faces that dry: 2 for a board, 4 for a timber.
    profile : {"sine", "parabola"}, optional
        Shape of the departure from the surface.

    Returns
    -------
    float
        Depth as a share of the side that the pin is driven into. [-]

    Raises
    ------
    OutOfRange
        If the number of faces or the profile is another.

    References
    ----------
    Derived above; first term of Crank, The Mathematics of Diffusion (1975), section 4.3, and its product for
    two directions (Newman 1931).

    Examples
    --------
    >>> [round(mean_depth_share(4, profile), 4) for profile in ("parabola", "sine")]
    [0.1273, 0.1328]
    """
    height = _mean(profile) ** _directions(faces)
    if profile == "sine":
        return math.asin(height) / math.pi
    return (1 - math.sqrt(1 - height)) / 2


def share_of_mean(depth_share: float, faces: DryingFaces, profile: Profile = "sine") -> float:
    """Departure from the surface at a depth, as a multiple of its mean over the section.

    Parameters
    ----------
    depth_share : float
        Depth over the side, above 0 to 0.5. [-]
    faces : {2, 4}
        Faces that dry.
    profile : {"sine", "parabola"}, optional
        As in `mean_depth_share`.

    Returns
    -------
    float
        1 at the depth that reads the mean; in the core 1.57 for a board and 2.47 for a timber (sine). [-]

    Raises
    ------
    OutOfRange
        If the depth, the number of faces or the profile lies outside the range above.

    References
    ----------
    As in `mean_depth_share`.

    Examples
    --------
    >>> round(share_of_mean(0.5, 4), 2), round(share_of_mean(0.25, 4), 2)
    (2.47, 1.74)
    """
    if not 0 < depth_share <= 0.5:
        raise OutOfRange(
            "the depth of a pin", f"lies above 0 and up to half of the side, not at {depth_share:.2f} of it"
        )
    mean = _mean(profile) ** _directions(faces)
    here = math.sin(math.pi * depth_share) if profile == "sine" else 4 * depth_share * (1 - depth_share)
    return here / mean


def mean_from_pin(  # noqa: PLR0913 - a reading, its place and the air are six facts
    pin_pct: float,
    depth_mm: float,
    side_mm: float,
    *,
    surface_pct: float,
    faces: DryingFaces,
    pin_sd_pct: float = 1.0,
    at_least: bool = False,
) -> MeanAnswer:
    """Mean moisture content of a section from a pin in the middle of a face.

    Parameters
    ----------
    pin_pct : float
        Moisture content at the tips, 0 to 400. [%]
    depth_mm : float
        Depth of the tips, from 0.05 of the side to half of it. [mm]
    side_mm : float
        Thickness in the direction of the pin, above 0. [mm]
    surface_pct : float
        Moisture content that the surface has come to, near the air's EMC; 0 to 400. [%]
    faces : {2, 4}
        Faces that dry: 2 for a board, 4 for a timber.
    pin_sd_pct : float, optional
        Doubt of the reading. [%]
    at_least : bool, optional
        Whether the reading says only "at least".

    Returns
    -------
    MeanAnswer
        Half-way between sine and parabola; their difference is part of the doubt. It holds once the core has
        begun to dry; before that a shallow pin makes the mean too low and a deep one too high.

    Raises
    ------
    OutOfRange
        If a number lies outside the range above.

    References
    ----------
    As in `mean_depth_share`.

    Examples
    --------
    >>> round(mean_from_pin(40, 25, 200, surface_pct=14, faces=4).mc_pct, 1)
    41.0
    """
    for name, value in (("the reading", pin_pct), ("the surface", surface_pct)):
        if not 0 <= value <= 400:
            raise OutOfRange(name, f"lies between 0 and 400 %, not {value:g} %")
    if not side_mm > 0:
        raise OutOfRange("the side", f"must be above 0 mm, not {side_mm:g}")
    share = depth_mm / side_mm
    if share < _SHALLOWEST:
        raise OutOfRange(
            "a pin", f"{depth_mm:g} mm deep in {side_mm:g} mm says nothing about the mean; drive it deeper"
        )
    low, high = sorted(1 / share_of_mean(share, faces, profile) for profile in ("sine", "parabola"))
    factor = (low + high) / 2
    departure = pin_pct - surface_pct
    profile_sd = abs(departure) * (high - low) / 2
    return MeanAnswer(
        mc_pct=max(surface_pct + factor * departure, 0.0),
        sd_pct=math.hypot(factor * pin_sd_pct, profile_sd),
        at_least=at_least,
    )


def _mean(profile: Profile) -> float:
    if profile not in _MEAN:
        raise OutOfRange("the profile", f"is sine or parabola, not {profile!r}")
    return _MEAN[profile]


def _directions(faces: DryingFaces) -> int:
    if faces not in {2, 4}:
        raise OutOfRange("the number of drying faces", f"is 2 for a board or 4 for a timber, not {faces}")
    return faces // 2
