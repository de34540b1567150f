"""What leaves through the ends: the length's own drying, by which the section's is multiplied.

For a constant coefficient the moisture of a bar is the product of its directions' (Newman 1931, from memory);
for the others it is taken for near enough, since what is measured is the weight of the whole timber alone.
"""

from __future__ import annotations

import numpy as np

from honesty.climates import STEP_S, STEPS_A_DAY

CELLS = 120
SEALED_M_S = 2e-9  # a wax coat; our own guess
OPEN_M_S = 2e-7


def left(length_mm, d_m2_s, *, sealed):
    """Share of the length's excess moisture that is left at the end of every day, (days,).

    `d_m2_s` is the coefficient along the grain, at every step.
    """
    h = length_mm / 2 / 1e3 / CELLS
    share, out = np.ones(CELLS), [1.0]
    for step, d in enumerate(np.asarray(d_m2_s)):
        if (step + 1) % STEPS_A_DAY:
            continue
        day = STEP_S * STEPS_A_DAY
        many = int(day * d * 2.5 / h**2) + 1
        g = 1 / (1 / (SEALED_M_S if sealed else OPEN_M_S) + h / 2 / d)
        for _ in range(many):
            flux = d * np.diff(share) / h
            gain = np.zeros(CELLS)
            gain[:-1] += flux
            gain[1:] -= flux
            gain[0] -= g * share[0]  # the end; the other side is the middle of the length
            share = share + day / many * gain / h
        out.append(share.mean())
    return np.array(out)
