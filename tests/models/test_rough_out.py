"""Roughing out is decided alike in every system of units; only the size told lies on the steps of the saw.

Timbers are drawn at random. The chance told is held against that of the size told, by the allowance's own sum
over the members. It could not have found an allowance wrong in both, which test_allowance.py asks, nor what
the forecast of the dried piece says, which is replaced here; movement is by the program's own `Shape`.
"""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from baulk.models import species, use_class
from baulk.models.allowance import chance
from baulk.models.distortion.movement import Shape
from baulk.models.drying import solver
from baulk.models.field import MoistureField
from baulk.models.plan.sawing.order import MILL_STEPS_MM
from baulk.models.section import Finished, Section
from baulk.models.timber import Timber
from baulk.models.verdict import comes_out, rough_out
from baulk.models.verdict.rule import service_draw
from tests.models import judging

STEPS = {system: across for system, (across, _) in MILL_STEPS_MM.items()}
USE = use_class.get("backbone-above-water")
WOODS = ("white oak", "northern red oak", "Douglas-fir")
MEMBERS, CELLS = 32, 14


@pytest.fixture(autouse=True)
def _no_forecast(monkeypatch):
    monkeypatch.setattr(rough_out, "forecast", lambda *_, piece, **__: piece)


def drawn(number, most=0.93):
    """A timber, its ensemble and the wood: sections, hearts and moistures at random."""
    rng = np.random.default_rng([83, number])
    width = rng.uniform(140, 320)
    depth = width * rng.uniform(0.75, 1.0)
    section = Section(
        width_mm=width, depth_mm=depth,
        pith_x_mm=rng.uniform(-1, 1) * width, pith_y_mm=rng.uniform(-1, 1) * depth,
    )  # fmt: skip
    side = depth * rng.uniform(0.6, most)
    wood = species.get(WOODS[number % len(WOODS)])
    timber = Timber(
        tag=f"FER-{number:02d}", species=wood.name, section=section, length_mm=rng.uniform(1500, 6000),
        finished=Finished(width_mm=side, depth_mm=side), use_class=USE.name, place="shed",
        arrived_utc=judging.NOW,
    )  # fmt: skip
    x, y = (solver.graded_edges_mm(each, CELLS) for each in (width, depth))
    across, up = (np.minimum(e[:-1] - e[0], e[-1] - e[1:]) for e in (x, y))
    shell, core = rng.uniform(12, 20), rng.uniform(20, 60)
    cells = shell + (core - shell) * np.minimum(np.minimum(up[:, None], across[None, :]) / 60, 1.0)
    spread = np.exp(0.1 * rng.normal(size=(MEMBERS, 1, 1)))
    field = MoistureField(
        posix_s=judging.NOW.timestamp(), section=section, x_edges_mm=x, y_edges_mm=y, mc_pct=cells * spread
    )
    one = np.ones(MEMBERS)
    members = solver.Members(
        d_factor=one, surface_factor=one, start_mc_pct=one, emc_offset_pct=0 * one,
        shrinkage_factor=1 + 0.15 * rng.normal(size=MEMBERS),
    )  # fmt: skip
    return timber, wood, SimpleNamespace(field_now=field, members=members, covers=None)


def roughed(number, step_mm, most=0.93):
    timber, wood, calibration = drawn(number, most)
    return rough_out.rough_out(
        timber, wood, calibration, None, law=None, use=USE, step_mm=step_mm,
        service_mc_pct=service_draw(USE, MEMBERS),
    )  # fmt: skip


@pytest.mark.parametrize("number", range(24))
def test_what_is_decided_does_not_know_the_units(number):
    inch, metric = (roughed(number, STEPS[system]) for system in ("inch", "metric"))
    assert (inch is None) is (metric is None)
    if inch is None:
        return
    assert inch.forecast == metric.forecast  # which here is the piece that would be dried
    assert (inch.piece, inch.inner, inch.terms) == (metric.piece, metric.inner, metric.terms)
    assert inch.probability == metric.probability
    assert np.array_equal(inch.fits, metric.fits)


@pytest.mark.parametrize("system", STEPS)
@pytest.mark.parametrize("number", range(0, 24, 3))
def test_the_size_told_is_on_the_saw_s_steps_and_holds_at_least_as_often_as_is_said(number, system):
    step = STEPS[system]
    found = roughed(number, step, most=0.75)
    timber, wood, calibration = drawn(number, most=0.75)
    sides = (timber.section.width_mm, timber.section.depth_mm)
    for told, dried, side in zip(
        found.size_mm, (found.piece.width_mm, found.piece.depth_mm), sides, strict=True
    ):
        assert told == side or math.isclose(told / step, round(told / step), abs_tol=1e-4)
        assert told <= side
        assert abs(told - dried) < max(step, rough_out.DRIED_STEP_MM)
    ask = comes_out.asked(timber, wood, comes_out.recorded(timber, ()), wanted=rough_out.SURE)
    ask = replace(ask, check_mm=0.0, wane_mm=0.0, checks_mm={}, corners_mm={})
    piece = Finished(width_mm=found.size_mm[0], depth_mm=found.size_mm[1])
    field = solver.cut(calibration.field_now, piece)
    shape = Shape(piece.inside(timber.section), wood, field.x_edges_mm, field.y_edges_mm, calibration.members)
    moved = shape.movement(field.mc_pct, service_draw(USE, MEMBERS))
    sawn = tuple(each - ask.kerf_mm for each in found.size_mm)
    assert chance.comes_out(ask, sawn, moved).probability >= found.probability
    assert found.probability >= rough_out.SURE  # sized for it, before any rounding


def test_the_timbers_drawn_are_of_both_kinds():
    some = [roughed(number, 5.0) for number in range(24)]
    assert 0 < sum(each is None for each in some) < 12
    told = [(roughed(n, 6.35).size_mm, each.size_mm) for n, each in enumerate(some) if each is not None]
    assert any(inch[0] < metric[0] for inch, metric in told)
    assert any(inch[0] > metric[0] for inch, metric in told)
