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
from typing import Final, Literal

from baulk.models.errors import OutOfRange

Profile = Literal["sine", "parabola"]
DryingFaces = Literal[2, 4]
_MEAN: Final = {"sine": 2 / math.pi, "parabola": 2 / 3}


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


def _mean(profile: Profile) -> float:
    if profile not in _MEAN:
        raise OutOfRange("the profile", f"is sine or parabola, not {profile!r}")
    return _MEAN[profile]


def _directions(faces: DryingFaces) -> int:
    if faces not in {2, 4}:
        raise OutOfRange("the number of drying faces", f"is 2 for a board or 4 for a timber, not {faces}")
    return faces // 2
