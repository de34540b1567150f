"""Invented timbers whose truth comes from another model, and what was forecast for them.

What differs from what the program believes, for every timber anew: (1) twice as many cells and another
solver, (2) another law of D over moisture and temperature, another ratio of radial to tangential, (3) an
equilibrium that lies higher while the air dries than while it moistens, and another one altogether, (4) a
meter that is biased and stretched, an air sensor that is biased, a scale that scatters, (5) weeks without air
and weeks without readings. The weather ahead is red noise about the season, which the program knows only as
twelve monthly means and from the record so far.
"""

from __future__ import annotations

import os
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import timedelta
from multiprocessing import get_context
from pathlib import Path
from types import SimpleNamespace

import numpy as np
from scipy import stats

sys.path.insert(0, str(Path(__file__).parents[1] / "models"))
sys.path.insert(0, str(Path(__file__).parent))
import judging
import other_model

from baulk.ingest import climate
from baulk.models import calibrate, forecast, sorption, species
from baulk.models.air import AirSeries
from baulk.models.air_steps import air_gaps
from baulk.models.field import MoistureField
from baulk.models.reading import Quantity
from baulk.models.section import Face, Finished, Section
from baulk.models.timber import Timber

WOODS = ("white oak", "northern red oak", "Douglas-fir", "longleaf pine", "white ash")
HORIZONS = (30, 90, 180, 270, 360)
AHEAD = HORIZONS.index(180)
PARTS = ("mean", "core", "shell")
STEP_S = other_model.STEP_S
DAY_S = judging.DAY_S
NOW_S = judging.NOW.timestamp()
LINE_WEIGHINGS = 6  # the last ones that a person would lay a ruler through


@dataclass(frozen=True, kw_only=True)
class Found:
    """What came true of one timber, what was forecast, and what two plain rules said.

    truth_pct (3, h); quantiles_pct (3, 5, h); rank (3, h), share of members below the truth; line and inch:
    their 180 days; line_low and line_high: 90 % interval of the line through weighings.
    """

    number: int
    truth_pct: np.ndarray
    quantiles_pct: np.ndarray
    rank: np.ndarray
    line_pct: float
    line_low_pct: float
    line_high_pct: float
    inch_pct: float
    took_s: float
    days: int
    fan: tuple | None = None


def red(rng, count, memory_days, sd):
    """Noise with a memory, at the steps of the other model."""
    keep = np.exp(-STEP_S / DAY_S / memory_days)
    fresh = rng.normal(0, sd * (1 - keep**2) ** 0.5, count)
    fresh[0] = rng.normal(0, sd)
    out, state = np.empty(count), 0.0
    for i, value in enumerate(fresh):
        state = keep * state + value
        out[i] = state
    return out


def season_at(at_s):
    """The climate: what twelve monthly means in the settings tell."""
    turn = 2 * np.pi * (at_s / DAY_S % 365.25 - 15) / 365.25
    return 14 - 10 * np.cos(turn), 68 + 6 * np.cos(turn)


def weather(rng, at_s):
    temp, rh = season_at(at_s)
    day = 2 * np.pi * (at_s / DAY_S % 1 - 0.6)
    temp = temp + red(rng, at_s.size, 20, 2.0) + red(rng, at_s.size, 2, 2.5) + 3 * np.cos(day)
    rh = rh + red(rng, at_s.size, 20, 5.0) + red(rng, at_s.size, 2, 8.0) - 8 * np.cos(day)
    return temp, np.clip(rh, 12, 99)


def equilibrium(rng, temp, rh):
    """The wood's own: higher while the air of the last weeks dried, lower while it moistened."""
    table = sorption.emc_pct(temp, rh)
    window = int(30 * DAY_S / STEP_S)
    kernel = np.ones(window) / window
    smooth = np.convolve(np.concatenate([np.full(window - 1, table[:window].mean()), table]), kernel, "valid")
    drying = np.gradient(smooth) < 0
    factor = np.where(drying, 1 + rng.uniform(0.02, 0.12), 1 + rng.uniform(-0.08, 0.02))
    return np.maximum(table * factor + rng.normal(0, 0.8), 1.0)


def setting(number):
    """The timber as registered, its species, and how long it has lain."""
    rng = np.random.default_rng([7, number])
    wood = species.get(WOODS[number % len(WOODS)])
    days, side = int(rng.uniform(90, 500)), float(rng.uniform(90, 230))
    start = wood.green_heartwood_mc_pct * float(np.exp(rng.normal(0, 0.12)))
    measured = float(start + rng.normal(0, 3)) if number % 4 == 0 else None
    piece = Timber(
        tag=f"T-{number}",
        species=wood.name,
        section=Section(
            width_mm=side, depth_mm=side * float(rng.uniform(0.8, 1.2)), pith_x_mm=float(rng.normal(0, side))
        ),
        length_mm=2500,
        finished=Finished(width_mm=side * 0.6, depth_mm=side * 0.6),
        use_class="frame-under-cover",
        place="shed",
        arrived_utc=judging.NOW - timedelta(days=days),
        green_mc_pct=measured,
    )
    return rng, piece, wood, start, days


def truth(rng, piece, start, temp, emc, at_s):
    """Fields of the other model at the given moments after arrival."""
    law = judging.law(piece)
    every = np.linspace(8, 30, 111)
    usual = law.d_ref_m2_s * float(np.mean(np.exp(law.slope_per_pct * (every - 20))))
    own = other_model.Wood(
        d_m2_s=usual * float(np.exp(rng.normal(0, 0.5))),
        middle_pct=float(rng.uniform(16, 24)),
        width_pct=float(rng.uniform(3, 6)),
        least_share=float(rng.uniform(0.05, 0.15)),
        fsp_pct=law.fsp_pct + float(rng.normal(0, 1.5)),
        raised=law.raised_above_fsp * float(rng.uniform(0.7, 1.3)),
        activation_j_mol=float(rng.uniform(25_000, 42_000)),
        ratio=float(rng.uniform(1.0, 1.7)),
        conductance_m_s=7e-8 * float(np.exp(rng.normal(0, 0.4))),
        start_pct=start,
    )
    keep = np.round((at_s - piece.arrived_utc.timestamp()) / STEP_S).astype(int)
    found = other_model.dry(piece.section, own, temp, emc, keep)
    x, y = (other_model.edges_mm(size) for size in (piece.section.width_mm, piece.section.depth_mm))
    return [
        MoistureField(posix_s=float(s), section=piece.section, x_edges_mm=x, y_edges_mm=y, mc_pct=mc[None])
        for s, mc in zip(at_s, found, strict=True)
    ]


def measured(rng, piece, fields, *, weighed):
    """What the meter and the scale say: biased, stretched, scattered, and blind above fibre saturation."""
    bias, stretch = rng.normal(0, 1.5), rng.normal(1, 0.05)
    side = min(piece.section.width_mm, piece.section.depth_mm)
    dry_kg = 20.0
    found = []
    for field in fields:
        for depth in (0.12 * side, 0.25 * side):
            seen = 15 + stretch * (float(field.pin_pct(depth, Face.B)[0]) - 15) + bias + rng.normal(0, 1.2)
            found.append(judging.reading(piece, field.posix_s, np.clip(seen, 5, 60), depth_mm=depth))
        kilos = dry_kg * (1 + float(field.mean_pct[0]) / 100) * (1 + rng.normal(0, 0.004))
        if weighed:
            found.append(judging.reading(piece, field.posix_s, kilos, quantity=Quantity.WEIGHT))
    return found


def gaps(rng, at_s, most_days):
    """Which moments are left when one to three stretches of one to `most_days / 7` weeks are missing."""
    left = np.ones(at_s.size, dtype=bool)
    for _ in range(int(rng.integers(1, 4))):
        begin = rng.uniform(at_s[0], NOW_S)
        left &= ~((at_s > begin) & (at_s < begin + DAY_S * rng.uniform(7, most_days)))
    return left


def known_air(rng, at_s, temp, rh):
    """What the shop's sensor recorded until now, with its bias and without the weeks that it missed."""
    until = at_s <= NOW_S
    stay = until & gaps(rng, at_s, 42)
    stay[0] = True
    return AirSeries(
        posix_s=at_s[stay],
        temp_c=temp[stay] + rng.normal(0, 0.5),
        rh_pct=np.clip(rh[stay] + rng.normal(0, 2), 0, 100),
    )


def ruler(readings, start):
    """A straight line through the last weighings, 180 days on, with its own 90 % interval.

    The ruler is told the true start, which nobody knows; so it is better here than in a shop.
    """
    kilos = [each for each in readings if each.series.quantity is Quantity.WEIGHT][-LINE_WEIGHINGS:]
    when = np.array([each.taken_utc.timestamp() - NOW_S for each in kilos]) / DAY_S
    mc = np.array([100 * (each.value / 20.0 - 1) for each in kilos])
    if when.size < 4:
        return start, np.nan, np.nan
    line = np.polyfit(when, mc, 1)
    left = mc - np.polyval(line, when)
    sd = np.sqrt(np.sum(left**2) / (when.size - 2))
    far = np.sqrt(1 + 1 / when.size + (180 - when.mean()) ** 2 / np.sum((when - when.mean()) ** 2))
    reach = stats.t.ppf(0.95, when.size - 2) * sd * far
    at = float(np.polyval(line, 180))
    return at, at - reach, at + reach


def follow(number, *, count=None, keep_fan=False, members=64):
    """One timber: truth, readings, fit, forecast; `count` readings evenly over its time, else all of them."""
    rng, piece, wood, start, days = setting(number)
    arrived_s = piece.arrived_utc.timestamp()
    at_s = arrived_s + STEP_S * np.arange(int((days + HORIZONS[-1] + 2) * DAY_S / STEP_S))
    temp, rh = weather(rng, at_s)
    emc = equilibrium(rng, temp, rh)
    read_s = arrived_s + DAY_S * np.arange(5, days, rng.choice([7, 14, 28]))
    if count is not None:
        read_s = arrived_s + DAY_S * np.linspace(5, days - 3, 25)
    kept = read_s[gaps(rng, read_s, 56)]
    read_s = kept if kept.size >= 4 and count is None else read_s
    read_s = arrived_s + STEP_S * np.round((read_s - arrived_s) / STEP_S)
    fan_s = NOW_S + DAY_S * np.arange(-days, 361, 7) if keep_fan else np.zeros(0)
    wanted = np.concatenate([read_s, NOW_S + DAY_S * np.array(HORIZONS), fan_s[fan_s >= arrived_s]])
    order = np.argsort(wanted, kind="stable")
    sorted_fields = truth(rng, piece, start, temp, emc, wanted[order])
    fields = [sorted_fields[i] for i in np.argsort(order, kind="stable")]
    then = fields[read_s.size : read_s.size + len(HORIZONS)]
    every = measured(rng, piece, fields[: read_s.size], weighed=True)
    weighs = number % 3 > 0
    readings = [each for each in every if weighs or each.series.quantity is not Quantity.WEIGHT]
    if count is not None:
        readings = [readings[i] for i in np.linspace(0, len(readings) - 1, count).round().astype(int)]
    own = known_air(rng, at_s, temp, rh)
    monthly = season_at(DAY_S * 365.25 * (np.arange(12) + 0.5) / 12)
    begun = time.perf_counter()
    year = climate.season(
        own, SimpleNamespace(climate=SimpleNamespace(temp_c=monthly[0], rh_pct=monthly[1], typical_year=None))
    )
    past = climate.past(own, year, since_s=arrived_s, now_s=NOW_S)
    law = judging.law(piece)
    fitted = calibrate.fit(
        piece, wood, readings, past, law=law, now_posix_s=NOW_S, seed=number, members=members,
        gaps=air_gaps(own, longer_than_s=climate.GAP_S),
    )  # fmt: skip
    ahead = year.years(NOW_S, NOW_S + 372 * DAY_S)
    coming = forecast.forecast(piece, wood, fitted, ahead, law=law, horizon_days=371)
    took_s = time.perf_counter() - begun
    true = np.array([[float(getattr(f, f"{part}_pct")[0]) for f in then] for part in PARTS])
    members = np.array([[_at(coming, part, day) for day in HORIZONS] for part in PARTS])
    line = ruler(every, start)
    thick_in = min(piece.section.width_mm, piece.section.depth_mm) / 25.4
    inch = start + (15 - start) * min(1.0, (days + 180) / 365.25 / thick_in)
    fan = None
    if keep_fan:
        ours = [float(f.mean_pct[0]) for f in fields[read_s.size + len(HORIZONS) :]]
        fan = (fan_s[fan_s >= arrived_s], np.array(ours), coming, fitted, readings)
    return Found(
        number=number,
        truth_pct=true,
        quantiles_pct=np.moveaxis(np.quantile(members, forecast.QUANTILES, axis=-1), 0, 1),
        rank=np.mean(members < true[..., None], axis=-1),
        line_pct=line[0],
        line_low_pct=line[1],
        line_high_pct=line[2],
        inch_pct=float(inch),
        took_s=took_s,
        days=days,
        fan=fan,
    )


def _at(coming, part, day):
    values, at = coming.members_pct(part), (coming.posix_s - NOW_S) / DAY_S
    i = min(int(day // 7), at.size - 2)
    share = (day - at[i]) / (at[i + 1] - at[i])
    return values[i] + share * (values[i + 1] - values[i])


def _one_core(taken):
    """Give each worker a core of its own, so that the compiled core does not fight for both."""
    if hasattr(os, "sched_setaffinity"):
        cores = sorted(os.sched_getaffinity(0))
        with taken.get_lock():
            taken.value += 1
            os.sched_setaffinity(0, {cores[taken.value % len(cores)]})


def _follow(job):
    number, count, members = job
    return follow(number, count=count, members=members)


def run(numbers, *, count=None, members=64):
    """Follow many timbers on every core."""
    cores = os.cpu_count() or 1
    context = get_context("spawn")
    with ProcessPoolExecutor(
        cores, mp_context=context, initializer=_one_core, initargs=(context.Value("i", 0),)
    ) as pool:
        return list(pool.map(_follow, [(number, count, members) for number in numbers], chunksize=4))


@dataclass(frozen=True, kw_only=True)
class Score:
    """How an interval and its middle did over many timbers."""

    covered: float
    half: float
    error: float
    width: float
    winkler: float


def interval_score(true, low, high, alpha=0.1):
    """Winkler's: the width, and how far outside of it the truth lies times 2 / alpha."""
    return (high - low) + 2 / alpha * (np.maximum(low - true, 0) + np.maximum(true - high, 0))


def score(found, part="mean", horizon=AHEAD):
    p = PARTS.index(part)
    true = np.array([each.truth_pct[p, horizon] for each in found])
    low, quarter, middle, three, high = np.array([each.quantiles_pct[p, :, horizon] for each in found]).T
    return Score(
        covered=float(np.mean((true >= low) & (true <= high))),
        half=float(np.mean((true >= quarter) & (true <= three))),
        error=float(np.median(np.abs(middle - true))),
        width=float(np.median(high - low)),
        winkler=float(np.mean(interval_score(true, low, high))),
    )


def ruler_score(found):
    """The same of the straight line, over the timbers that were weighed often enough for one."""
    with_line = [each for each in found if np.isfinite(each.line_low_pct)]
    true = np.array([each.truth_pct[0, AHEAD] for each in with_line])
    low, middle, high = np.array(
        [(each.line_low_pct, each.line_pct, each.line_high_pct) for each in with_line]
    ).T
    return Score(
        covered=float(np.mean((true >= low) & (true <= high))),
        half=np.nan,
        error=float(np.median(np.abs(middle - true))),
        width=float(np.median(high - low)),
        winkler=float(np.mean(interval_score(true, low, high))),
    )


def inch_error(found):
    return float(np.median([abs(each.inch_pct - each.truth_pct[0, AHEAD]) for each in found]))
