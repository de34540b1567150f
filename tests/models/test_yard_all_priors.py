"""A yard that is asked for one timber after another says of each what all the others say.

Both sides share hierarchy.py, together.py and kinship.py, so that a fault of the rule itself could not be
found here: test_yard_joint.py and one test below hold it against a plain normal formula, at the model's own
points of the grid. The yards are normal by construction, and none has more than 211 timbers.
"""

from __future__ import annotations

import dataclasses
import sys
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

sys.path.insert(0, str(Path(__file__).parent))

from invented_yard import CAME, DAY, DEFAULTS, said, yard_of

from baulk.models.yard import all_priors
from baulk.models.yard.all_priors import MANY, AllPriors
from baulk.models.yard.hierarchy import NOTHING_SHARED, grid
from baulk.models.yard.kinship import Taught
from baulk.models.yard.leave_one_out import FEW, Number
from baulk.models.yard.prior import prior_of
from baulk.models.yard.together import LEAST_SHARE, Heard, by_itself


def estimates(rng, sizes, odd=()):
    found = [
        Heard(f"T{lot}-{k}", f"lot {lot}", middle + rng.normal(0, 0.4), rng.uniform(0.1, 0.8))
        for lot, size in enumerate(sizes)
        for middle in [rng.normal(0, 0.6)]
        for k in range(size)
    ]
    for i in odd:
        found[i] = dataclasses.replace(found[i], value=found[i].value + 9.0)
    return found


@pytest.mark.parametrize("asked", ["lot 0", "lot 3", "a new lot"])
@pytest.mark.parametrize(("sizes", "odd"), [((1, 2, 7, 3), (5,)), ((2 * FEW, 1, 40, 8), (3, 4, 90))])
def test_a_number_by_itself_with_one_left_out_is_that_of_the_others(sizes, odd, asked):
    heard = estimates(np.random.default_rng(4), sizes, odd)
    number = Number("ln_d", heard)
    for i in (0, 3, 5, len(heard) - 1):
        expected = by_itself("ln_d", heard[:i] + heard[i + 1 :], asked)
        found = number.predicted(asked, i)
        for name in ("mean", "sd", "timbers", "groups", "population"):
            assert getattr(found, name) == pytest.approx(getattr(expected, name), rel=1e-9, abs=1e-9)
        among = [each for k, each in enumerate(heard) if k != i]
        is_odd = {each.tag for each, off in zip(among, expected.odd, strict=True) if off}
        assert {tag for group in {each.group for each in heard} for tag in number.odd(group, i)} == is_odd
    assert number.all_odd() == {heard[i].tag for i in odd}


def test_a_number_by_itself_is_that_of_the_plain_normal_formula_over_the_grid():
    # one dense normal distribution of all timbers at each point; the points themselves are the model's own
    heard = estimates(np.random.default_rng(6), (4, 1, 5))
    at, left = grid(LEAST_SHARE, NOTHING_SHARED), heard[:2] + heard[3:]
    y, v = np.array([each.value for each in left]), np.array([each.sd**2 for each in left])
    same = np.array([[a.group == b.group for a in left] for b in left])
    near = np.array([each.group == heard[2].group for each in left])
    log_share, means = [], []
    for timbers, groups, population, log_prior in zip(
        at.timbers, at.groups, at.population, at.log_prior, strict=True
    ):
        whole = population + groups * same + np.diag(timbers + v)
        log_share.append(log_prior + stats.multivariate_normal(cov=whole).logpdf(y))
        means.append((population + groups * near) @ np.linalg.solve(whole, y))
    share = np.exp(np.array(log_share) - max(log_share))
    found = Number("ln_d", heard).predicted(heard[2].group, 2)
    assert found.mean == pytest.approx(share @ np.array(means) / share.sum(), rel=1e-6)
    assert found.timbers == pytest.approx(share @ at.timbers / share.sum(), rel=1e-6)


def test_a_yard_of_few_and_a_wood_of_few_get_the_very_same_answers():
    few = yard_of(40, 5)
    woods = yard_of(MANY + 10, 5, woods=("white oak", "larch", "ash"))
    for taught in (few, woods):
        yard = AllPriors(taught)
        for each in taught[:: len(taught) // 4]:
            assert yard.prior(each.timber, DEFAULTS) == prior_of(each.timber, taught, DEFAULTS)


@pytest.mark.parametrize("per", [1, 2, 9, 400])
def test_beyond_many_the_answers_are_those_of_all_others_to_a_tenth(per, monkeypatch):
    monkeypatch.setattr("baulk.models.yard.prior.STEPS", 10**9)
    taught = yard_of(MANY + 1, per)
    yard = AllPriors(taught)
    new = dataclasses.replace(taught[3].timber, tag="NEW")
    for timber in (taught[0].timber, taught[-1].timber, new, dataclasses.replace(new, arrived_at="far")):
        found, expected = yard.prior(timber, DEFAULTS), prior_of(timber, taught, DEFAULTS)
        assert list(found.rows) == list(expected.rows)
        assert found.together == expected.together
        assert np.array(found.correlation) == pytest.approx(np.array(expected.correlation), abs=0.021)
        for name, row in expected.rows.items():
            mine = found.rows[name]
            assert (mine.timbers, mine.near, mine.parted) == (row.timbers, row.near, row.parted)
            far, wider = (0.1, 0.05) if name in expected.together else (1e-8, 1e-8)
            assert mine.mean == pytest.approx(row.mean, abs=far * row.sd)
            assert mine.sd == pytest.approx(row.sd, rel=wider)


def test_its_own_readings_never_enter_a_timbers_prior_beyond_how_much_timbers_differ():
    taught = yard_of(MANY + 1, 4)
    rng = np.random.default_rng(9)
    lot = [each for each in taught if each.timber.tag.startswith("L010")]
    assert len(lot) > 1
    it = lot[0]
    other = [
        each if each is not it else Taught(timber=it.timber, own=said(rng, np.full(9, 2.5)))
        for each in taught
    ]
    one, two = (AllPriors(each) for each in (taught, other))
    new = dataclasses.replace(it.timber, tag="NEW")

    def moved(timber, name):
        rows = [each.prior(timber, DEFAULTS).rows[name] for each in (one, two)]
        return abs(rows[1].mean - rows[0].mean) / rows[0].sd

    names = one.prior(it.timber, DEFAULTS).together
    of_it, of_kin = ([moved(timber, name) for name in names] for timber in (it.timber, new))
    assert max(of_it) < 0.15
    assert max(of_kin) > 0.5


def test_one_that_parts_a_lot_is_answered_from_the_others_alone():
    taught = yard_of(MANY + 1, 4)
    late = [
        dataclasses.replace(
            each, timber=dataclasses.replace(each.timber, arrived_utc=CAME + 12 * k * DAY / 7)
        )
        for k, each in enumerate(taught)
    ]
    new = dataclasses.replace(late[8].timber, tag="NEW", arrived_utc=late[8].timber.arrived_utc - DAY)
    assert AllPriors(late).prior(new, DEFAULTS) == prior_of(new, late, DEFAULTS)
    moved = dataclasses.replace(taught[8].timber, arrived_at="slip")
    assert AllPriors(taught).prior(moved, DEFAULTS) == prior_of(moved, taught, DEFAULTS)


def test_what_is_the_same_for_all_is_worked_out_once(monkeypatch):
    made = []

    class Counted(all_priors.Wood):
        def __init__(self, *of):
            made.append(of[0])
            super().__init__(*of)

    monkeypatch.setattr(all_priors, "Wood", Counted)
    taught = yard_of(MANY + 1, 9)
    yard = AllPriors(taught)
    for each in taught[::20]:
        yard.prior(each.timber, DEFAULTS)
    assert len(made) == 1
