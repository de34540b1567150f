"""Numbers that readings tell together rather than each by itself."""

from __future__ import annotations

import numpy as np
import pytest

from baulk.models.yard.estimates import Posterior, own, told_of
from baulk.models.yard.hierarchy import Variances, next_of, next_together, said_alone

ONE = Variances(timbers=np.array([0.2]), groups=np.array([0.4]), population=np.array([0.3]))


def together(told, groups, group, variances):
    precision, pull = (np.array(each) for each in zip(*told, strict=True))
    return next_together(precision, pull, groups, group, variances)


def many(variances, size):
    return Variances(**{name: np.repeat(getattr(variances, name), size) for name in variances.__slots__})


def direct(values, errors, groups, group, variances):
    """Mean and variance of the next one by the plain normal formula over all timbers at once."""
    same = np.array([[a == b for a in groups] for b in groups], dtype=float)
    whole = variances.population[0] + variances.groups[0] * same
    whole = whole + np.diag(variances.timbers[0] + np.array(errors))
    to = variances.population[0] + variances.groups[0] * np.array(
        [each == group for each in groups], dtype=float
    )
    weight = np.linalg.solve(whole, to)
    all_of_it = variances.population[0] + variances.groups[0] + variances.timbers[0]
    return weight @ np.array(values), all_of_it - weight @ to


@pytest.mark.parametrize("group", ["a", "b", "new"])
def test_one_number_is_predicted_as_by_the_plain_normal_formula(group):
    values, errors, groups = [0.5, 0.9, -0.2, 0.4], [0.1, 0.3, 0.2, 0.05], ["a", "a", "b", "c"]
    told = [(np.array([[1 / e]]), np.array([v / e])) for v, e in zip(values, errors, strict=True)]
    mean, cov = together(told, groups, group, ONE)
    expected = direct(values, errors, groups, group, ONE)
    assert (mean[0], cov[0, 0]) == pytest.approx(expected)


def test_numbers_that_do_not_hang_together_are_predicted_each_by_itself():
    told = [(np.diag([4.0, 9.0]), np.array([2.0, -3.0])), (np.diag([5.0, 1.0]), np.array([1.0, 1.0]))]
    mean, cov = together(told, ["a", "a"], "a", many(ONE, 2))
    for i in range(2):
        single = [(p[i : i + 1, i : i + 1], h[i : i + 1]) for p, h in told]
        one, var = together(single, ["a", "a"], "a", ONE)
        assert (mean[i], cov[i, i]) == pytest.approx((one[0], var[0, 0]))
    assert cov[0, 1] == pytest.approx(0.0, abs=1e-12)


def test_a_sum_that_all_readings_tell_is_known_though_its_parts_are_not():
    rng = np.random.default_rng(3)
    seen = np.array([1.0, 1.0])
    lot = np.array([0.8, -0.3])
    few = Variances(timbers=np.full(2, 0.1), groups=np.full(2, 0.5), population=np.full(2, 0.4))
    off, inside = [], []
    for _ in range(300):
        lot = rng.normal(0, 0.9**0.5, 2)
        trees = lot + rng.normal(0, 0.1**0.5, (11, 2))
        read = trees[:10] @ seen + rng.normal(0, 0.2, 10)
        told = [(np.outer(seen, seen) / 0.04, seen * each / 0.04) for each in read]
        mean, cov = together(told, ["a"] * 10, "a", few)
        sd = (seen @ cov @ seen) ** 0.5
        off.append(sd)
        inside.append(abs(seen @ (trees[10] - mean)) < 1.645 * sd)
    assert np.mean(inside) == pytest.approx(0.9, abs=0.05)
    assert np.mean(off) < 0.55  # 1.41 without kin
    assert cov[0, 0] ** 0.5 > 0.7  # a part by itself
    assert cov[0, 1] / cov[0, 0] < -0.6


def test_what_readings_say_together_is_what_is_left_when_the_prior_is_taken_out():
    names = ("a", "b", "c")
    usual, sd = np.array([1.0, 10.0, 0.1]), np.array([0.5, 3.0, 0.02])
    seen = np.array([[2.0, 1.0, 0.0], [0.0, 1.0, 1.0], [2.0, 0.0, 1.0]]) / sd
    precision, truth = seen.T @ seen * 4, usual + sd * np.array([0.5, -0.4, 0.2])
    hanging = np.array([[1, -0.5, 0], [-0.5, 1, 0], [0, 0, 1]])
    for before in (np.diag(sd**2), 0.3 * np.outer(sd, sd) * hanging):
        cov = np.linalg.inv(np.linalg.inv(before) + precision)
        mean = cov @ (np.linalg.solve(before, usual - 0.2 * sd) + precision @ truth)
        found = own(
            Posterior(
                names=names, mean=mean, cov=cov, prior_mean=usual - 0.2 * sd, prior_cov=before,
                default_mean=usual, default_sd=sd, members=10**6,
            ),
            ("b", "a"),
        ).together  # fmt: skip
        through = precision[:2, 2:] / (precision[2, 2] + sd[2] ** -2)
        alone = precision[:2, :2] - through @ precision[2:, :2]
        known = {name: (m, s) for name, m, s in zip(names, usual, sd, strict=True)}
        (told,), (pull,) = told_of([found], ("a", "b"), known)
        assert told == pytest.approx(np.outer(sd[:2], sd[:2]) * alone, rel=0.1, abs=0.3)
        off = np.linalg.solve(told, pull)
        expected = (truth - usual)[:2] + np.linalg.solve(alone, through[:, 0] * 0)
        assert sd[:2] * off == pytest.approx(expected, abs=0.25 * sd.max())


def test_the_variances_that_are_found_are_those_that_the_world_has():
    rng = np.random.default_rng(8)
    groups = [f"g{i}" for i in range(30) for _ in range(8)]
    middles = rng.normal(0, 0.6, 30)
    values = [middles[i] + rng.normal(0, 0.4) for i in range(30) for _ in range(8)]
    found = next_of(values, [0.01] * len(values), groups, "g0", least_sd=0.1)
    assert found.timbers**0.5 == pytest.approx(0.4, rel=0.15)
    assert found.groups**0.5 == pytest.approx(0.6, rel=0.35)
    assert sum(found.odd) <= 4
    odd = next_of([*values[:7], 6.0], [0.01] * 8, ["g0"] * 8, "g0", least_sd=0.1)
    assert odd.odd == (False,) * 7 + (True,)


def test_a_number_is_told_sharply_where_kin_share_what_it_is_mixed_up_with():
    # readings tell the sum of two numbers well and the second one hardly; the trees of a lot share the second
    rng = np.random.default_rng(12)
    both, second = np.array([1.0, 1.0]), np.array([0.0, 1.0])
    ours = Variances(
        timbers=np.array([0.06, 0.0025]), groups=np.array([0.5, 0.5]), population=np.array([0.3, 0.3])
    )
    for _ in range(20):
        trees = rng.normal(0, 0.7, 2) + rng.normal(0, 1, (10, 2)) * np.sqrt(ours.timbers)
        precision = np.outer(both, both) / 0.05**2 + np.outer(second, second)
        pull = np.array([
            both * (sum(each) + rng.normal(0, 0.05)) / 0.05**2 + second * (each[1] + rng.normal(0, 1))
            for each in trees
        ])  # fmt: skip
        some, drawn = (each[0] for each in said_alone(np.array([precision] * 10), pull, ["a"] * 10, ours))
        off = drawn / some - trees[:, 0]
        assert np.all(some**-0.5 < 0.09)  # 0.71 with the second as doubtful as by default
        assert np.std(off) < 0.15  # what they get wrong they get wrong together
    # of a timber of another lot too the rest is as in that lot, not as in the first
    far = np.array([3.0, -2.0])
    pull = np.vstack([pull, [both * far.sum() / 0.05**2 + second * far[1]] * 10])
    some, drawn = said_alone(np.array([precision] * 20), pull, ["a"] * 10 + ["b"] * 10, ours)
    assert np.abs((drawn / some)[0, :10] - trees[:, 0]).max() < 1.0
    assert np.abs((drawn / some)[0, 10:] - far[0]).max() < 1.0
