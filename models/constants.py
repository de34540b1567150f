"""Spans of time in seconds, and the names for arrays of numbers."""

from __future__ import annotations

from typing import Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

HOUR_S: Final = 3600.0
DAY_S: Final = 86_400.0
YEAR_S: Final = 365.25 * DAY_S

Floats: TypeAlias = NDArray[np.float64]
Ints: TypeAlias = NDArray[np.int64]
