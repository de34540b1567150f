"""What choosing timbers by their truth does to an honest forecast: bias and coverage by band of the core.

Among the timbers whose core turns out the wettest are more that turned out wetter than was told: so an honest
forecast is told too dry there, the more the wider it is, and too wet at the other end. How much, is found by
drawing truths from what was told: what a band shows beyond that is the forecast's own fault. How a part later
hangs on the core now is taken from where the truths lay among the told quantiles.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.stats import norm

from honesty.scores import BAND_NAMES, BANDS, LEVELS

KEYS = ["number", "months"]
PARTS = ("mean", "core", "shell")
DRAWS = 400
LEVEL_Z = norm.ppf(LEVELS)


def drawn(quantiles, z):
    """Values at standard normal numbers of what was told; straight beyond the outermost quantiles."""
    q = np.asarray(quantiles, float)
    below = q[0] + np.minimum(z - LEVEL_Z[0], 0) * (q[1] - q[0]) / (LEVEL_Z[1] - LEVEL_Z[0])
    above = np.maximum(z - LEVEL_Z[-1], 0) * (q[-1] - q[-2]) / (LEVEL_Z[-1] - LEVEL_Z[-2])
    return np.where(z < LEVEL_Z[0], below, np.interp(z, LEVEL_Z, q) + above)


def ranked(table):
    """Standard normal number at which each truth lies among its quantiles, no further out than 3."""
    grid = np.linspace(-3, 3, 121)
    return [
        float(np.interp(true, drawn(q, grid), grid))
        for true, q in zip(table["truth"], table["quantiles"], strict=True)
    ]


def beside_now(table, part, horizon):
    """Rows of a part at a horizon, each with its core now."""
    now = table[(table["part"] == "core") & (table["horizon"] == 0)]
    ahead = table[(table["part"] == part) & (table["horizon"] == horizon)]
    return ahead.merge(now, on=KEYS, suffixes=("", " of core"))


def honest(table, part, horizon=180, seed=0):
    """By band of the true core: bias and coverage that what was told would show if it were honest."""
    both = beside_now(table, part, horizon)
    core = both[["truth of core", "quantiles of core"]].set_axis(["truth", "quantiles"], axis=1)
    alike = float(np.corrcoef(ranked(both), ranked(core))[0, 1]) if (part, horizon) != ("core", 0) else 1.0
    rng = np.random.default_rng(seed)
    z = rng.standard_normal((len(both), DRAWS))
    later = alike * z + np.sqrt(1 - alike**2) * rng.standard_normal(z.shape)
    cores = np.array([drawn(q, each) for q, each in zip(both["quantiles of core"], z, strict=True)])
    truths = np.array([drawn(q, each) for q, each in zip(both["quantiles"], later, strict=True)])
    told = np.array(both["quantiles"].tolist())
    found = pd.DataFrame({
        "band": pd.cut(np.maximum(cores, 0.01).ravel(), BANDS, labels=BAND_NAMES),
        "honest bias": (told[:, 2:3] - truths).ravel(),
        "honest in90": 100.0 * ((truths >= told[:, :1]) & (truths <= told[:, -1:])).ravel(),
    })  # fmt: skip
    return found.groupby("band", observed=True).mean()


def by_truth(table, horizon=180):
    """Measured bias and coverage by band of the true core beside what an honest forecast would show."""
    lines = {}
    for part in PARTS:
        mine = beside_now(table, part, horizon)
        measured = mine.groupby("band").agg(
            n=("bias", "size"), bias=("bias", "mean"), in90=("in90", lambda each: 100 * each.mean())
        )
        for band, line in measured.join(honest(table, part, horizon)).iterrows():
            lines[part, band] = line
    return pd.DataFrame(lines).T


def by_told(table, horizon=180):
    """Bias and coverage by band of the core as it was told, which an honest forecast shows none of."""
    lines = {}
    for part in PARTS:
        mine = beside_now(table, part, horizon)
        told = pd.cut([each[2] for each in mine["quantiles of core"]], BANDS, labels=BAND_NAMES)
        for band, each in mine.groupby(np.asarray(told)):
            lines[part, band] = {
                "n": len(each),
                "bias": each["bias"].mean(),
                "in90": 100 * each["in90"].mean(),
            }
    return pd.DataFrame(lines).T
