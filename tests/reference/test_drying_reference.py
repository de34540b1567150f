"""The drying model against closed forms and published drying; each row names its source."""

from __future__ import annotations

import csv
import datetime as dt
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import brentq

from baulk.ingest.demo import weather
from baulk.models import sapwood, species
from baulk.models.air import AirSeries
from baulk.models.diffusion import DiffusionLaw, law_for
from baulk.models.drying import solver
from baulk.models.drying.axes import Axis
from baulk.models.drying.grid import centre_shares, slope_shares
from baulk.models.drying.kernel import _between, _conduct, _lay, _sweep
from baulk.models.drying.solver import CONDUCTANCE_M_S, FaceCover, Members
from baulk.models.field import MoistureField
from baulk.models.section import Face, Finished, Section
from baulk.models.sorption import rh_pct

HERE = Path(__file__).parent
DAY = 86_400.0
MONTH = 30.44 * DAY
INCH = 25.4


def rows(name):
    with (HERE / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


SLAB = rows("analytic-slab-bar.csv")
CHECKS = {row["id"]: row for row in rows("drying-checks.csv")}
D_M2_S = 1e-10
HALF_MM = 25.0
ME, M0 = 10.0, 70.0
CONSTANT = DiffusionLaw(d_ref_m2_s=D_M2_S, slope_per_pct=0.0, radial_over_tangential=1.0)


def still_air(emc_pct, temp_c=20.0):
    rh = float(rh_pct(temp_c, emc_pct))
    return AirSeries(posix_s=np.zeros(1), temp_c=np.full(1, temp_c), rh_pct=np.full(1, rh))


def surface(biot):
    """Members with the surface that gives one Biot number h l / D."""
    one = np.ones(1)
    factor = biot * D_M2_S / (HALF_MM / 1000) / CONDUCTANCE_M_S[FaceCover.EXPOSED]
    return Members(d_factor=one, surface_factor=factor * one, start_mc_pct=M0 * one, emc_offset_pct=0 * one)


def left(section, biot, cells, step_s):
    """Share of the start that has not yet left, mean and centre, at every Fourier number of the table."""
    fourier = np.array([float(row["Fo"]) for row in SLAB])
    at_s = fourier * (HALF_MM / 1000) ** 2 / D_M2_S
    fields = solver.dry(
        section, None, still_air(ME), CONSTANT, start_posix_s=0.0, at_posix_s=at_s,
        members=surface(biot), cells=cells, step_s=step_s,
    )  # fmt: skip
    mean = np.array([field.mean_pct[0] for field in fields])
    centre = np.array([field.at(0, 0)[0] for field in fields])
    return (mean - ME) / (M0 - ME), (centre - ME) / (M0 - ME)


@pytest.mark.parametrize("biot", ["inf", "100", "20", "10", "2", "1", "0.1"])
def test_a_slab_dries_as_the_series_of_crank(biot):
    # C01 asks for 0.3 % of the start; 100 m wide, so that the edges do not count
    slab = Section(width_mm=100_000, depth_mm=2 * HALF_MM)
    mean, centre = left(slab, 1e5 if biot == "inf" else float(biot), (2, 64), 300.0)
    assert mean == pytest.approx([float(row[f"mean_Bi_{biot}"]) for row in SLAB], abs=0.003)
    if f"centre_Bi_{biot}" in SLAB[0]:
        assert centre == pytest.approx([float(row[f"centre_Bi_{biot}"]) for row in SLAB], abs=0.003)


def test_a_square_bar_dries_as_the_product_of_two_slabs():
    # Newman 1931 / Crank 1975
    bar = Section(width_mm=2 * HALF_MM, depth_mm=2 * HALF_MM)
    mean, centre = left(bar, 1e5, (80, 80), 1200.0)
    assert mean == pytest.approx([float(row["square_bar_mean_Bi_inf"]) for row in SLAB], abs=0.004)
    assert centre == pytest.approx([float(row["square_bar_centre_Bi_inf"]) for row in SLAB], abs=0.003)


@pytest.mark.parametrize("biot", [0.5, 3.0, 100.0])
def test_a_slab_has_at_every_depth_what_the_series_of_crank_says(biot):
    # Crank 1975, p. 60: sum of 2 L cos(beta x / l) / ((beta^2 + L^2 + L) cos beta), beta tan beta = L
    roots = np.array(
        [brentq(lambda b: b * np.sin(b) - biot * np.cos(b), k * np.pi, (k + 0.5) * np.pi) for k in range(60)]
    )
    fourier = np.array([0.03, 0.1, 0.4])
    slab = Section(width_mm=100_000, depth_mm=2 * HALF_MM)  # so wide that its sides do not count
    fields = solver.dry(
        slab, None, still_air(ME), CONSTANT, start_posix_s=0.0,
        at_posix_s=fourier * (HALF_MM / 1000) ** 2 / D_M2_S, members=surface(biot), cells=(4, 16),
        error_pct=0.005,
    )  # fmt: skip
    depths = np.array([0.0, 1.0, 3.0, 6.0, 10.0, 15.0, 20.0, 25.0])
    share = 2 * biot / ((roots**2 + biot**2 + biot) * np.cos(roots))
    shape = np.cos(roots * (1 - depths[:, None] / HALF_MM))
    for fo, field in zip(fourier, fields, strict=True):
        exact = ME + (M0 - ME) * (shape * share * np.exp(-(roots**2) * fo)).sum(axis=1)
        for face in (Face.A, Face.C):
            off = np.abs(field.pins_pct(depths, face)[:, 0] - exact)
            assert off[0] < 0.25  # on the face itself
            assert off[1:].max() < 0.15


def test_half_of_the_water_is_gone_at_the_half_time_constant():
    slab = Section(width_mm=100_000, depth_mm=2 * HALF_MM)
    constant = float(CHECKS["C04"]["expected"])
    at_s = np.linspace(0.04, 0.06, 41) * (2 * HALF_MM / 1000) ** 2 / D_M2_S
    fields = solver.dry(
        slab, None, still_air(ME), CONSTANT, start_posix_s=0.0, at_posix_s=at_s,
        members=surface(1e5), cells=(2, 64), step_s=600.0,
    )  # fmt: skip
    mean = np.array([field.mean_pct[0] for field in fields])
    half = np.interp((M0 + ME) / 2, mean[::-1], at_s[::-1]) * D_M2_S / (2 * HALF_MM / 1000) ** 2
    assert half == pytest.approx(constant, rel=0.005)


@pytest.mark.parametrize(
    ("m1", "m2"), [(6, 28), (28, 6), (12, 13), (20, 20), (10, 60), (90, 15), (40, 70), (30, 30)]
)
@pytest.mark.parametrize("raised", [1.0, 3.0])
@pytest.mark.parametrize(("k", "rel"), [(0.098, 1e-4), (0.2, 2e-3)])
def test_the_flux_between_two_places_is_that_of_the_kirchhoff_transform(m1, m2, raised, k, rel):
    # C06: flux = D0 (exp(k M1) - exp(k M2)) / (k l) below fibre saturation, a constant D above it
    fsp = 30.0
    free = raised * np.exp(k * (fsp - 20))

    def potential(m):
        return np.exp(k * (min(m, fsp) - 20)) / k + free * max(m - fsp, 0)

    got = _between(*map(np.float32, (m1, m2, k, fsp, free))) * (m1 - m2)
    assert got == pytest.approx(potential(m1) - potential(m2), rel=rel, abs=1e-9)


def test_a_steady_flux_stays_steady_in_every_inner_cell():
    # C06 over many cells: start on the exact steady profile between 8 and 28 %, let one day pass
    k, n = 0.098, 40
    centres = (np.arange(n) + 0.5) / n
    profile = np.log(np.exp(k * 8) + centres * (np.exp(k * 28) - np.exp(k * 8))) / k
    width = np.full(n, 0.1 / n)
    grain = np.full((n + 1, 1), 2.5e-11) / np.concatenate([[1], width[1:], [1]])[:, None]
    closed = 1e12
    own, free = (
        np.array([1.0, 0.0, closed, closed, k, 30.0, 0.0, 0.0])[:, None],
        np.full_like(grain, np.exp(k * 10)),
    )
    laid = (grain, slope_shares(width), centre_shares(width), own, free)
    light = (each.astype(np.float32) for each in laid)
    axis = Axis(width, *light)
    u = profile[:, None].copy()
    work = np.empty((4, n + 1, 1)), np.empty((5, n + 1, 1), np.float32)
    _lay(axis, (1.0, 10.0, 0.0), work[1][4])
    _conduct(u, axis, work[0][0], work[1])
    _sweep(u, axis, DAY, 10.0, np.zeros(1), *work)
    assert u[8:-8, 0] == pytest.approx(profile[8:-8], abs=1e-3)
    assert abs(u[0, 0] - profile[0]) > 0.05  # the closed ends do change


@pytest.mark.parametrize(
    "row",
    rows("residual-after-squaring.csv"),
    ids=lambda row: f"{row['green_side_in']} in at {row['section_mean_mc_pct']} %",
)
def test_a_squared_piece_holds_what_the_bar_series_says(row):
    green, final = float(row["green_side_in"]) * INCH, float(row["final_side_in"]) * INCH
    months = float(row["months_D3e-11"]) * np.linspace(0.7, 1.4, 60) + np.linspace(-0.1, 0.1, 60)
    law = DiffusionLaw(d_ref_m2_s=3e-11, slope_per_pct=0.0, radial_over_tangential=1.0)
    one = np.ones(1)
    bare = Members(d_factor=one, surface_factor=1e5 * one, start_mc_pct=70 * one, emc_offset_pct=0 * one)
    fields = solver.dry(
        Section(width_mm=green, depth_mm=green), None, still_air(float(row["surface_pct"])), law,
        start_posix_s=0.0, at_posix_s=months * MONTH, members=bare, cells=(32, 32), step_s=DAY / 2,
    )  # fmt: skip
    mean = np.array([field.mean_pct[0] for field in fields])
    kept = [solver.cut(field, Finished(width_mm=final, depth_mm=final)).mean_pct[0] for field in fields]
    at_mean = np.interp(float(row["section_mean_mc_pct"]), mean[::-1], np.array(kept)[::-1])
    assert at_mean == pytest.approx(float(row["kept_core_mean_mc_pct"]), abs=0.3)


def outdoors():
    """Four years of Greensboro's typical months: the nearest real file to Illinois and Ohio at hand."""
    posix_s, temp_c, rh = [], [], []
    for year in range(2021, 2025):
        for row in rows("weather-greensboro.csv"):
            posix_s.append(dt.datetime(year, int(row["month"]), 1, tzinfo=dt.UTC).timestamp())
            temp_c.append(float(row["mean_temp_c"]))
            rh.append(float(rh_pct(temp_c[-1], float(row["mean_of_hourly_emc_pct"]))))
    return AirSeries(posix_s=np.array(posix_s), temp_c=np.array(temp_c), rh_pct=np.array(rh))


@cache
def hourly_outdoors():
    """Four years, hour by hour, of the typical year itself (TMY3 723170, Greensboro NC) that pvlib ships."""
    return weather.outdoors(dt.datetime(2021, 1, 1, tzinfo=dt.UTC), 24 * 1461)


def drying_of(name, month, section, start_pct, days=1000, cells=(24, 24), air=None):
    start_s = dt.datetime(2021, month, 1, tzinfo=dt.UTC).timestamp()
    elapsed = np.arange(days, dtype=float)
    fields = solver.dry(
        section, start_pct, air or outdoors(), law_for(species.get(name)),
        start_posix_s=start_s, at_posix_s=start_s + elapsed * DAY, cells=cells,
    )  # fmt: skip
    return elapsed, np.array([f.mean_pct for f in fields]), np.array([f.at(0, 0) for f in fields])


def days_to(target_pct, *args, air=None):
    elapsed, mean, _ = drying_of(*args, air=air)
    assert mean[-1] < target_pct
    return float(elapsed[np.argmax(mean < target_pct)])


TIE = Section(width_mm=9 * INCH, depth_mm=7 * INCH)


def tie_months(month):
    """Months in which a tie piled on the first of a month goes from 85 to 50 %, in hourly weather.

    The published ties lay in Illinois and Ohio; Greensboro, a little warmer, is the nearest hourly file at
    hand. Published 5 and about 10 months; ours 5.2, 4.8 and 4.5 from March, April and May, and 7.9 from
    October: a tenth off at most in spring, a fifth too fast in fall (row T02 of the gaps).
    """
    return days_to(50, "northern red oak", month, TIE, 85.0, air=hourly_outdoors()) * DAY / MONTH


@pytest.mark.parametrize(("month", "ours"), [(3, 5.19), (4, 4.76), (5, 4.53)])
def test_red_oak_ties_piled_in_spring_take_about_five_months_of_hourly_weather(month, ours):
    # C09, to which the prior was fitted: 5 months +-35 %
    months = tie_months(month)
    assert 5 * 0.65 < months < 5 * 1.35
    assert months == pytest.approx(ours, abs=0.1)  # what the words above say is still so


def test_red_oak_ties_piled_in_fall_take_up_to_twice_as_long_in_hourly_weather():
    # C10, not fitted: ratio 1.5 to 2.5; ours 1.66
    assert 1.5 < tie_months(10) / tie_months(4) < 2.5


def test_the_months_of_means_tell_of_the_ties_what_the_hours_do():
    # the other checks here take the same file's monthly means; that costs the ties under a twentieth
    hours = hourly_outdoors()
    assert hours.posix_s.size == 4 * 8760 + 24
    for month in (4, 10):
        means = days_to(50, "northern red oak", month, TIE, 85.0) * DAY / MONTH
        assert means == pytest.approx(tie_months(month), rel=0.05)


@pytest.mark.parametrize("side_in", [8, 10, 12])
def test_an_oak_baulk_is_still_green_hearted_after_ten_months(side_in):
    # C13: mean well over 25 %, centre over 30 %
    square = Section(width_mm=side_in * INCH, depth_mm=side_in * INCH)
    _, mean, centre = drying_of("white oak", 4, square, 70.0, 305)
    assert mean[-1] > 28
    assert centre[-1] > 45


@pytest.mark.parametrize("month", [1, 3, 5, 7, 9, 11])
def test_sugar_maple_boards_take_between_40_and_205_days(month):
    # C14, not fitted: 4/4 to 20 %; 8 in wide, 1 1/8 in green, start 70 %
    board = Section(width_mm=8 * INCH, depth_mm=1.125 * INCH, pith_y_mm=-200)
    assert 40 <= days_to(20, "sugar maple", month, board, 70.0) <= 205


def test_a_heavy_softwood_is_air_dry_after_two_summers_and_not_after_one():
    # C11, 8 x 16 in from March; "air-dry" taken as 24 % in the mean, no figure in the source. Heartwood at
    # 31 % within 5 1/2 in of the pith and sapwood at 106 % beyond, 60 % on the mean: ours 28.3 and 23.0
    wood, section = species.get("longleaf pine"), Section(width_mm=16 * INCH, depth_mm=8 * INCH)
    start_s, heart_mm = dt.datetime(2021, 3, 1, tzinfo=dt.UTC).timestamp(), np.array([140.0])
    x, y = (solver.graded_edges_mm(side, 18) for side in (section.width_mm, section.depth_mm))
    of_sapwood = sapwood.shares(section, x, y, heart_mm)
    start = MoistureField(
        posix_s=start_s, section=section, x_edges_mm=x, y_edges_mm=y, mc_pct=31 + (106 - 31) * of_sapwood
    )
    assert start.mean_pct == pytest.approx([60], abs=1)
    one = np.ones(1)
    members = Members(
        d_factor=one, surface_factor=one, start_mc_pct=one, emc_offset_pct=0 * one, heartwood_mm=heart_mm
    )
    after_one, after_two = solver.dry(
        section, start, outdoors(), law_for(wood), start_posix_s=start_s,
        at_posix_s=start_s + 30.44 * DAY * np.array([6, 18]), members=members,
    )  # fmt: skip
    assert after_one.mean_pct[0] > 27
    assert after_two.mean_pct[0] < 24


def test_twice_the_thickness_takes_nearly_four_times_as_long():
    # C16: exponent toward 2 for heavy sections
    law = law_for(species.get("white oak"))
    times = []
    for side_in in (4, 8):
        at_s = np.arange(1, 2400, 2) * DAY
        square = Section(width_mm=side_in * INCH, depth_mm=side_in * INCH)
        fields = solver.dry(square, 70.0, still_air(13.0, 12.0), law, start_posix_s=0.0, at_posix_s=at_s)
        mean = np.array([field.mean_pct for field in fields])
        times.append(np.interp(25.0, mean[::-1], at_s[::-1]))
    assert 1.9 <= np.log2(times[1] / times[0]) <= 2.0


def test_the_heart_of_a_small_oak_baulk_is_far_from_dry_after_a_year_and_a_half():
    # C27, not fitted: core far over 13 %, outer 3/4 in 20 to 25 %
    start_s = dt.datetime(2021, 4, 1, tzinfo=dt.UTC).timestamp()
    square = Section(width_mm=6 * INCH, depth_mm=6 * INCH)
    (field,) = solver.dry(
        square, 80.0, outdoors(), law_for(species.get("northern red oak")),
        start_posix_s=start_s, at_posix_s=start_s + 548 * DAY,
    )  # fmt: skip
    assert field.at(0, 0) > 25
    assert 18 < field.pin_pct(0.375 * INCH) < 26


def boards_exponent():
    times = []
    for thick_in in (1, 2):
        at_s = np.arange(1, 400) * DAY
        board = Section(width_mm=8 * INCH, depth_mm=thick_in * INCH, pith_y_mm=-300)
        law = law_for(species.get("northern red oak"))
        fields = solver.dry(board, 80.0, still_air(12.0), law, start_posix_s=0.0, at_posix_s=at_s)
        mean = np.array([field.mean_pct for field in fields])
        times.append(np.interp(20.0, mean[::-1], at_s[::-1]))
    return np.log2(times[1] / times[0])


def old_beam_pct():
    law = law_for(species.get("white oak"))
    beam = Section(width_mm=500, depth_mm=500)
    (field,) = solver.dry(beam, 70.0, still_air(15.5, 10.0), law, start_posix_s=0.0, at_posix_s=3650 * DAY)
    return float(field.pin_pct(28))


def board(thick_in):
    return Section(width_mm=8 * INCH, depth_mm=thick_in * INCH, pith_y_mm=-200)


GAPS = {
    "T02": lambda: tie_months(10),
    "T15a": lambda: days_to(20, "northern red oak", 7, board(1.125), 80.0),
    "T22": lambda: days_to(67, "northern red oak", 7, board(2.2), 80.0, 300) * DAY / MONTH,
    "C15": boards_exponent,
    "C12": old_beam_pct,
}


@pytest.mark.parametrize("row", rows("drying-gaps.csv"), ids=lambda row: row["id"])
def test_what_the_prior_gets_wrong_is_written_down_and_still_so(row):
    # when one of these comes right, its row and the words at law_for go
    ours = GAPS[row["id"]]()
    assert ours == pytest.approx(float(row["ours"]), rel=0.06)
    assert not float(row["published_low"]) <= ours <= float(row["published_high"])


def full_tensor_quarters(section, ratio, end_s, n=40):
    """Means of the four quarters by explicit differences that keep the mixed term: a second solver."""
    dx, dy = section.width_mm / 1000 / n, section.depth_mm / 1000 / n
    x = (np.arange(n) + 0.5) * dx - section.width_mm / 2000 - section.pith_x_mm / 1000
    y = (np.arange(n) + 0.5) * dy - section.depth_mm / 2000 - section.pith_y_mm / 1000
    cos2 = x**2 / (x**2 + y[:, None] ** 2)
    tangential = 2 * D_M2_S / (1 + ratio)
    step_up = tangential * (ratio - 1)
    d_xx, d_yy = tangential + step_up * cos2, tangential + step_up * (1 - cos2)
    d_xy = step_up * np.sign(x * y[:, None]) * np.sqrt(cos2 * (1 - cos2))
    m = np.full((n, n), M0)
    dt = 0.15 * dx**2 / D_M2_S
    for _ in range(round(end_s / dt)):
        p = np.pad(m, 1, constant_values=ME)
        p[0], p[-1] = 2 * ME - p[1], 2 * ME - p[-2]  # the air stands at the face, half a cell out
        p[:, 0], p[:, -1] = 2 * ME - p[:, 1], 2 * ME - p[:, -2]
        slope_y = (p[2:, :] - p[:-2, :]) / (2 * dy)
        slope_x = (p[:, 2:] - p[:, :-2]) / (2 * dx)
        edge_xx, edge_yy = np.pad(d_xx, ((0, 0), (1, 1)), "edge"), np.pad(d_yy, ((1, 1), (0, 0)), "edge")
        edge_xy_x, edge_xy_y = np.pad(d_xy, ((0, 0), (1, 1)), "edge"), np.pad(d_xy, ((1, 1), (0, 0)), "edge")
        mid = p[1:-1], p[:, 1:-1]
        east = (edge_xx[:, 1:] + edge_xx[:, :-1]) / 2 * np.diff(mid[0], axis=1) / dx
        east += (edge_xy_x[:, 1:] + edge_xy_x[:, :-1]) / 2 * (slope_y[:, 1:] + slope_y[:, :-1]) / 2
        north = (edge_yy[1:] + edge_yy[:-1]) / 2 * np.diff(mid[1], axis=0) / dy
        north += (edge_xy_y[1:] + edge_xy_y[:-1]) / 2 * (slope_x[1:] + slope_x[:-1]) / 2
        m = m + dt * (np.diff(east, axis=1) / dx + np.diff(north, axis=0) / dy)
    return quarters(m)


def quarters(m):
    half = m.shape[0] // 2
    return m.reshape(2, half, 2, half).mean(axis=(1, 3))


@pytest.mark.parametrize(("ratio", "cost_pct"), [(1.0, 0.05), (1.2, 0.4), (1.5, 0.8), (2.0, 1.15)])
def test_leaving_out_the_mixed_term_costs_nothing_of_the_mean_and_little_of_a_quarter(ratio, cost_pct):
    # rings at 45 degrees all over the section, the worst case; moisture from 70 to about 35 %
    square = Section(width_mm=100, depth_mm=100, pith_x_mm=-400, pith_y_mm=-400)
    law = DiffusionLaw(d_ref_m2_s=D_M2_S, slope_per_pct=0.0, radial_over_tangential=ratio)
    end_s = 0.1 * 0.05**2 / D_M2_S
    (own,) = solver.dry(
        square, None, still_air(ME), law, start_posix_s=0.0, at_posix_s=end_s,
        members=surface(1e5), cells=(48, 48), step_s=3600.0,
    )  # fmt: skip
    area = own.area_mm2 / own.area_mm2.mean()
    kept = full_tensor_quarters(square, ratio, end_s)
    assert own.mean_pct[0] == pytest.approx(kept.mean(), abs=0.07)
    assert quarters(own.mc_pct[0] * area) == pytest.approx(kept, abs=cost_pct)
