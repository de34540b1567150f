"""What the compiled part is handed of a section, laid out; loading this loads no compiler."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from baulk.models.constants import Floats

Light = NDArray[np.float32]
# another order of these needs a touch of kernel.py: numba looks at the time of that file, not of this one
ACROSS, OFFSET, LOW, HIGH, SLOPE, FSP, EXTRA, SEASON = range(8)  # rows of Axis.lanes
YEAR_RAD_S = 2 * np.pi / (365.25 * 86_400.0)


class Axis(NamedTuple):
    """One direction of the section, for one chunk of members; lanes = lines across x members.

    Parameters
    ----------
    width : ndarray, shape (n,)
        Cell widths. [m]
    grain : ndarray, shape (n + 1, lanes)
        D at 20 degC and 20 % at each cell face, over the distance between cell centres inside. [m/s], at
        both ends [m2/s]
    blend : ndarray, shape (n + 1, 3)
        Shares of the steps in potential before, across and after a cell face in the slope at it. [-]
    centre : ndarray, shape (n, 2)
        Shares of the steps in moisture before and after a cell in its centre value less its mean. [-]
    lanes : ndarray, shape (8, lanes)
        Of each lane: width of its line [m], what is added to the EMC [%], surface resistance at both ends
        [s/m], slope of ln D [1/%], fibre saturation [%], power on the temperature factor less 1 [-],
        amplitude of ln surface conductance over the year [-]. One array, because each array that is handed
        on costs time, as much together as a tenth of the sweep.
    free : ndarray, shape (n + 1, lanes) or (1, lanes)
        D/d_ref above fibre saturation at each cell face, or one for all where sapwood and heartwood do not
        differ: a row read again and again stays in the cache. [-]
    """

    width: Floats
    grain: Light
    blend: Light
    centre: Light
    lanes: Light
    free: Light


Axes = tuple[Axis, Axis]
