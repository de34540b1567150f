"""Pin meters: what they show of the true moisture at their tips, each with a shape and errors of its own.

That a meter says little above fibre saturation: James, Electric moisture meters for wood, FPL-GTR-6 (1988).
The shapes there are our own guesses, drawn anew for every timber; the last two are kept out of tuning. The
temperature effect, 0.12 points a degree, lies in the range of VTT Publications 420 (2000), 0.10 to 0.15.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

PER_DEGREE_PCT = 0.12
WRONG_PER_PCT = 0.02  # of a wood's scale set for another, at the widest; our own guess


@dataclass(frozen=True, kw_only=True)
class Meter:
    """One meter in one wood."""

    shape: str
    fsp_pct: float
    wet_slope: float
    top_pct: float
    reach_pct: float
    round_pct: float
    bias_pct: float
    stretch: float
    scatter_pct: float
    wet_scatter_pct: float
    bare_mm: float  # uninsulated length of the pins, 0 for the tips alone
    driven_anew: bool  # by hand, each time a little aside; else left in the wood
    corrects: bool  # itself for the wood's temperature
    temperature_known: bool  # whether the wood's temperature is put on record with each reading


def draw(rng, shape, fsp_pct):
    """Draw one meter."""
    corrects = bool(rng.random() < 0.5)
    return Meter(
        shape=shape,
        fsp_pct=fsp_pct + float(rng.normal(0, 1)),
        wet_slope=float(rng.uniform(0.05, 0.45)) if shape != "capped" else float(rng.uniform(0.3, 0.8)),
        top_pct=float(rng.uniform(30, 60)),
        reach_pct=float(rng.uniform(4, 14)),
        round_pct=float(rng.uniform(0.8, 2.0)),
        bias_pct=float(rng.normal(0, 1.5)),
        stretch=float(rng.normal(1, 0.05)),
        scatter_pct=float(rng.uniform(1.0, 1.5)),
        wet_scatter_pct=float(rng.uniform(1.5, 4.0)),
        bare_mm=float(rng.uniform(6, 8)) if rng.random() < 0.4 else 0.0,
        driven_anew=bool(rng.random() < 0.5),
        corrects=corrects,
        temperature_known=bool(not corrects and rng.random() < 0.5),
    )


def _bent(moist, at_pct, slope, round_pct):
    """A straight line that bends smoothly into another slope."""
    return moist - (1 - slope) * round_pct * np.logaddexp(0, (moist - at_pct) / round_pct)


def curve(meter, true_pct):
    """What the meter would show without errors. [%]"""
    over = np.maximum(true_pct - meter.fsp_pct, 0.0)
    if meter.shape == "smooth":
        return _bent(true_pct, meter.fsp_pct, meter.wet_slope, meter.round_pct)
    if meter.shape == "capped":
        return _bent(
            _bent(true_pct, meter.fsp_pct, meter.wet_slope, 0.5),
            max(meter.top_pct, meter.fsp_pct),
            0.0,
            0.5,
        )
    if meter.shape == "logarithmic":
        return np.minimum(true_pct, meter.fsp_pct) + meter.reach_pct * np.log1p(over / meter.reach_pct)
    if meter.shape == "levelling":  # starts to bend two points early and comes to a level
        start = meter.fsp_pct - 2
        over = np.maximum(true_pct - start, 0.0)
        return np.minimum(true_pct, start) + (2 + meter.reach_pct) * np.tanh(over / (2 + meter.reach_pct))
    if meter.shape == "set wrong":  # for another wood, and flattening from three points below on
        told = true_pct * (1 + WRONG_PER_PCT * (meter.wet_slope - 0.25) * (true_pct - 12))
        return _bent(told, meter.fsp_pct - 3, meter.wet_slope / 2, 2 * meter.round_pct)
    raise ValueError(meter.shape)


def shown_pct(rng, meter, true_pct, wood_c):
    """One reading, as a person writes it down. [%]"""
    wet = 1 / (1 + np.exp(-(true_pct - meter.fsp_pct) / 2))
    scatter = meter.scatter_pct + wet * (meter.wet_scatter_pct - meter.scatter_pct)
    shown = 15 + meter.stretch * (float(curve(meter, true_pct)) - 15) + meter.bias_pct
    shown += 0.0 if meter.corrects else PER_DEGREE_PCT * (wood_c - 20)
    if meter.shape == "set wrong":  # now and then far off, and read to the half point
        shown += scatter * rng.standard_t(4) / 2**0.5
        return float(np.round(2 * np.clip(shown, 5, 99)) / 2)
    shown += rng.normal(0, scatter)
    if meter.shape == "capped":
        shown = min(shown, meter.top_pct)
    return float(np.round(np.clip(shown, 5, 99), 1))
