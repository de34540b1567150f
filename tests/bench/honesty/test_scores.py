"""The scores against cases worked by hand, and the plain rules against data that obey them."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

sys.path.insert(0, str(Path(__file__).parents[1]))

from honesty import against, bands, baselines, best, knowing, scores, timbers
from honesty.observed import Noted, dry_kg


def test_the_interval_score_is_the_width_and_twenty_times_the_miss():
    # Gneiting & Raftery 2007, equation 43, at 90 %
    assert scores.interval_score(np.array([5.0, 1.0, 12.0]), 2.0, 10.0) == pytest.approx([8, 28, 48])


def test_crps_of_five_quantiles_is_near_that_of_the_normal_law():
    # Gneiting & Raftery 2007, equation 21
    true = np.linspace(-2, 2, 9)
    exact = true * (2 * norm.cdf(true) - 1) + 2 * norm.pdf(true) - 1 / np.sqrt(np.pi)
    found = scores.crps(true, np.tile(norm.ppf(scores.LEVELS), (9, 1)))
    assert found == pytest.approx(exact, abs=0.05)
    assert scores.LEVEL_WEIGHTS.sum() == pytest.approx(1)


def test_an_honest_forecast_scores_as_one():
    rng = np.random.default_rng(1)
    middle = rng.normal(30, 8, 4000)
    true = middle + rng.normal(0, 2, 4000)
    rows = [
        {"part": "mean", "horizon": 180, "truth": t, "core_now": 40.0, "q": (m + 2 * norm.ppf(scores.LEVELS))}
        for m, t in zip(middle, true, strict=True)
    ]
    table = scores.frame(rows)
    line = scores.summary(table, "part").loc["mean"]
    assert line["in90"] == pytest.approx(90, abs=2)
    assert line["in50"] == pytest.approx(50, abs=3)
    assert line["bias"] == pytest.approx(0, abs=0.15)
    assert set(table["band"]) == {"30-45"}
    assert scores.ranks(table).loc["mean"].to_numpy() == pytest.approx([5, 20, 25, 25, 20, 5], abs=3)


def made_up(rng, count, shift=0.0):
    """Answers with an honest interval, but for `shift`, of a core now and of three parts that hang on it."""
    for number in range(count):
        middle = rng.uniform(20, 80)
        z = rng.standard_normal()
        for part, share, sd in (
            ("core", 1.0, 8.0),
            ("core", 0.9, 8.0),
            ("mean", 0.7, 5.0),
            ("shell", 0.2, 3.0),
        ):
            later = share * z + np.sqrt(1 - share**2) * rng.standard_normal()
            told = middle * (1.0 if part == "core" else 0.6)
            yield {
                "number": number, "months": 9, "part": part, "horizon": 0 if share == 1.0 else 180,
                "truth": told + sd * later + (shift if part == "shell" else 0.0),
                "core_now": middle + 8.0 * z, "q": told + sd * norm.ppf(scores.LEVELS),
            }  # fmt: skip


def test_an_honest_forecast_is_told_too_dry_where_the_truth_is_wettest_and_by_how_much_is_known():
    table = scores.frame(list(made_up(np.random.default_rng(4), 1500, shift=2.0)))
    found = bands.by_truth(table)
    assert found.loc[("core", ">60"), "bias"] < -1.5
    assert found.loc[("core", "<20"), "bias"] > 3.0
    for part, own in (("core", 0.0), ("mean", 0.0), ("shell", -2.0)):
        beyond = found.loc[part, "bias"] - found.loc[part, "honest bias"]
        assert beyond.to_numpy() == pytest.approx(np.full(len(beyond), own), abs=0.9)
    assert found.loc["core", "honest in90"].mean() == pytest.approx(found.loc["core", "in90"].mean(), abs=4)
    told = bands.by_told(table)
    assert told.loc["core", "bias"].to_numpy() == pytest.approx(np.zeros(4), abs=1.3)


def test_reliability_puts_told_beside_held():
    found = scores.reliability([0.05, 0.95, 0.97, 1.0], [False, True, False, True])
    assert found["n"].tolist() == [1, 3]
    assert found["held"].tolist() == pytest.approx([0, 2 / 3])


def test_the_first_yes_counts_and_dates_are_kept_or_not():
    told = {"holds": False, "holds_in_service": False, "date_holds": True, "date_holds_in_service": True}
    rows = [
        {"number": 1, "step": "leave", "probability": 0.2, **told},
        {"number": 1, "step": "square", "probability": 0.9, "holds": True, "holds_in_service": True},
        {"number": 2, "step": "square", "probability": 0.9, "holds": False, "holds_in_service": True},
    ]  # fmt: skip
    found = scores.squaring(rows)
    assert found["first yes holds, share"] == 0.5
    assert found["first yes holds in service alone, share"] == 1.0
    assert (found["dates told"], found["dates kept, share"]) == (1, 1.0)


def test_rules_find_back_what_obeys_them():
    piece = timbers.piece(0)
    days = np.arange(1.0, 400, 28)
    start = piece.kind.heart_pct
    emc = baselines.forecasts(piece, [], "mean", 400, [0])["climate mean"][0]

    def weights(mc):
        return [
            Noted(day=float(d), what="weight", value=dry_kg(piece) * (1 + m / 100))
            for d, m in zip(days, mc, strict=True)
        ]

    falling = emc + (start - emc) * np.exp(-(days - 1) / 500)
    found = baselines.forecasts(piece, weights(falling), "mean", 400, [180])
    assert found["exponential"][0] == pytest.approx(emc + (start - emc) * np.exp(-579 / 500), abs=0.3)
    line = start - 0.05 * (days - 1)
    assert baselines.forecasts(piece, weights(line), "mean", 400, [30])["line"][0] == pytest.approx(
        start - 0.05 * 429, abs=0.1
    )
    assert baselines.forecasts(piece, weights(line), "mean", 400, [30])["last value"][0] == pytest.approx(
        line[-1]
    )
    assert np.isnan(baselines.forecasts(piece, [], "core", 400, [30])["exponential"][0])


def test_before_and_after_are_compared_on_the_same_rows():
    def rows(width, numbers):
        return scores.frame(
            [
                {"number": n, "months": 3, "part": "mean", "horizon": 180, "truth": 30.0, "core_now": 35.0,
                 "q": 30 + width * np.array([-2, -1, 0, 1, 2])}
                for n in numbers
            ]
        )  # fmt: skip

    found = scores.compared(rows(2, range(5)), rows(1, range(3, 9)))
    assert found.loc["mean", "n"] == 2
    assert found.loc["mean", "winkler ratio"] == pytest.approx(0.5)
    assert isinstance(found, pd.DataFrame)


def test_a_ratio_of_scores_bears_how_much_hangs_on_single_timbers():
    def table(widths):
        return scores.frame(
            [
                {"number": n, "months": m, "part": part, "horizon": 180, "truth": 30.0, "core_now": 35.0,
                 "q": 30 + width * np.array([-2, -1, 0, 1, 2])}
                for n, width in enumerate(widths) for m in (3, 9) for part in ("mean", "core", "shell")
            ]
        )  # fmt: skip

    even = against.ratios(table([2.0] * 30), table([1.0] * 30)).loc["mean"]
    assert even[["timbers", "ratio", "low", "high"]].tolist() == pytest.approx([30, 0.5, 0.5, 0.5])
    # twenty-nine that are halved, and one, as large as all of them, that stays
    uneven = against.ratios(table([1.0] * 29 + [29.0]), table([0.5] * 29 + [29.0])).loc["mean"]
    assert uneven["ratio"] == pytest.approx(0.75)
    assert uneven["low"] == pytest.approx(0.5)
    assert uneven["high"] > 0.85


def test_what_a_timber_is_told_without_itself_is_what_the_others_alone_tell():
    rng = np.random.default_rng(3)
    x, of = rng.normal(size=(40, 3)), np.repeat(np.arange(10), 4)
    y = x @ [1.0, -0.5, 0.2] + 0.1 * rng.normal(size=40)
    middle, spread, _ = knowing.left_out(x, y, of, 1.0, 0.05)
    cover = knowing.covariance(x, of, 1.0, 0.05)
    own, rest = of == 7, of != 7
    across = np.linalg.solve(cover[np.ix_(rest, rest)], cover[np.ix_(rest, own)])
    assert middle[own] == pytest.approx(across.T @ y[rest])
    left = cover[np.ix_(own, own)] - across.T @ cover[np.ix_(rest, own)]
    assert spread[own] == pytest.approx(np.sqrt(np.diag(left)))


def test_the_best_of_equal_woods_is_told_as_by_their_quantiles():
    values = np.random.default_rng(5).normal(30, 4, 4000)
    even = np.full(4000, 1 / 4000)
    low, high = np.quantile(values, (0.05, 0.95))
    assert best.weighted_quantiles(values, even)[[0, -1]] == pytest.approx([low, high], abs=0.02)
    # what that interval scores on the woods themselves, and of the normal law 4.13 standard deviations
    own = scores.interval_score(values, low, high).mean()
    assert best.expected_score(values, even) == pytest.approx(own, rel=1e-3)
    assert own == pytest.approx(4.13 * 4, rel=0.05)
    doubled = np.concatenate([even[:2000], np.zeros(2000)]) * 2
    assert best.expected_score(values, doubled) == pytest.approx(
        best.expected_score(values[:2000], even[:2000] * 2)
    )


def test_weighings_speak_of_what_was_lost_whatever_the_density():
    piece = timbers.piece(29)
    whole = np.array([70.0, 60.0, 50.0])
    heavy = 1.1 * dry_kg(replace(piece, density_factor=1.0)) * (1 + whole / 100)
    right, wrong = (best.weights_ln(piece, heavy, each) for each in (whole, whole[::-1]))
    assert right > wrong + 100
    assert right - best.weights_ln(piece, heavy / 1.1, whole) == pytest.approx(
        -0.5 * (np.log(1.1) / np.hypot(best.DENSITY_SD, 0.005 / 3**0.5)) ** 2
    )
