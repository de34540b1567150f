"""What the timbers of a yard teach the next one; truths and readings are drawn by numpy alone."""

from __future__ import annotations

import dataclasses
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from baulk.models.errors import OutOfRange
from baulk.models.yard.estimates import Estimate, Own, Posterior, own, settled
from baulk.models.yard.hierarchy import next_of
from baulk.models.yard.kinship import JOINT_PARAMETERS, LEARNED, Kin, Origin, Taught, lots
from baulk.models.yard.prior import YardPrior, prior_of

CAME = datetime(2025, 4, 7, 9, tzinfo=UTC)
DAY = timedelta(days=1)
LN2 = float(np.log(2))
DEFAULTS = {
    "ln_d": (0.0, LN2), "slope": (0.098, 0.035), "ln_ratio": (0.0, 0.2), "ln_surface": (0.0, 0.5),
    "emc_offset": (0.0, 1.0), "meter_bias": (0.0, 1.5), "wet_slope": (0.2, 0.12), "start": (64.0, 9.6),
    "ln_raised": (0.0, 0.4),
}  # fmt: skip
NAMES = tuple(DEFAULTS)
MIDDLE, SD = (np.array(each) for each in zip(*DEFAULTS.values(), strict=True))


def origin(tag="T01", lot=0, **more):
    given = {
        "species": "white oak", "arrived_utc": CAME + 30 * lot * DAY, "arrived_at": "shed", "place": "shed",
        "meter": "hand-held meter",
    }  # fmt: skip
    return Origin(tag=tag, **given | more)


def taught(tag, value, sd=0.2, name="ln_d", **more):
    return Taught(timber=origin(tag, **more), own=Own(says={name: Estimate(value=value, sd=sd)}))


def yard_of(rng, lots_, per, *, lots_sd, trees_sd, error):
    """Estimates of the timbers of a yard and the truth of one more of its first lot."""
    middles = rng.normal(0, lots_sd, lots_)
    found = [
        taught(f"T{lot}-{k}", middle + rng.normal(0, trees_sd) + rng.normal(0, error), error, lot=lot)
        for lot, middle in enumerate(middles)
        for k in range(per)
    ]
    return found, middles[0] + rng.normal(0, trees_sd)


def tried(lots_, per, times=400, error=0.2, **world):
    """Share of truths inside the 90 % interval, mean sd of the priors, over yards drawn anew."""
    rng = np.random.default_rng(7)
    inside, widths = [], []
    for _ in range(times):
        others, truth = yard_of(rng, lots_, per, error=error, **world)
        row = prior_of(origin("NEW"), others, DEFAULTS).rows["ln_d"]
        inside.append(abs(truth - row.mean) < 1.645 * row.sd)
        widths.append(row.sd)
    return np.mean(inside), np.mean(widths)


@pytest.mark.parametrize("lots_", [1, 3, 6])
def test_ten_of_a_lot_make_the_next_of_it_known_nearly_as_well_as_trees_differ(lots_):
    inside, sd = tried(lots_, 10, lots_sd=0.6, trees_sd=0.25)
    assert inside >= 0.9
    assert 0.25 <= sd < 0.4  # 0.69 without them


@pytest.mark.parametrize(("lots_", "per"), [(1, 1), (1, 3), (1, 10), (3, 10), (12, 1), (30, 1)])
def test_where_trees_share_nothing_coverage_stays_and_nothing_is_narrowed(lots_, per):
    inside, sd = tried(lots_, per, lots_sd=0.0, trees_sd=0.7)
    assert inside >= 0.84
    assert sd > 0.64


@pytest.mark.parametrize(("lots_sd", "trees_sd"), [(0.4, 0.4), (0.7, 0.25), (0.0, 0.25), (0.2, 0.6)])
def test_worlds_between_are_covered_too(lots_sd, trees_sd):
    for lots_, per in ((1, 3), (5, 3), (3, 10)):
        assert tried(lots_, per, 200, lots_sd=lots_sd, trees_sd=trees_sd)[0] >= 0.84


def test_a_new_lot_leans_on_the_species_and_less_than_a_known_one():
    others, _ = yard_of(np.random.default_rng(3), 6, 6, lots_sd=0.3, trees_sd=0.25, error=0.15)
    known, new = (prior_of(origin("NEW", lot=lot), others, DEFAULTS).rows["ln_d"] for lot in (0, 99))
    assert known.sd < new.sd < LN2
    assert (known.near, new.near, new.timbers) == (6, 0, 36)
    others = [*others, taught("PINE", 3.0, species="Douglas-fir")]
    assert prior_of(origin("NEW", lot=99), others, DEFAULTS).rows["ln_d"] == new
    assert "ln_d" not in prior_of(origin("NEW", species="red oak"), others, DEFAULTS).rows


def test_nothing_is_said_where_nobody_speaks_or_only_a_whisper_is_heard():
    assert prior_of(origin(), [], DEFAULTS).rows == {}
    assert prior_of(origin(), [taught("T02", 1.0, sd=2.0)], DEFAULTS).rows == {}
    row = prior_of(origin(), [taught(f"T{k}", 1.0, sd=2.0) for k in range(9)], DEFAULTS).rows["ln_d"]
    assert row.timbers == 9  # weak ones are heard together
    assert row.sd > 0.55
    alone = next_of([], [], [], "any", least_sd=0.36)
    assert (alone.mean, alone.sd) == (0.0, pytest.approx(1.0, abs=0.15))  # the default prior itself


def test_trees_differ_however_much_ten_agree():
    others = [taught(f"T{k}", 0.4, sd=0.05) for k in range(40)]
    row = prior_of(origin("NEW"), others, DEFAULTS).rows["ln_d"]
    assert row.mean == pytest.approx(0.4, abs=0.03)
    assert 0.25 <= row.sd < 0.28


def test_a_timbers_own_readings_are_not_in_its_own_prior():
    others, _ = yard_of(np.random.default_rng(5), 1, 8, lots_sd=0.6, trees_sd=0.25, error=0.15)
    mean = prior_of(origin("ME"), others, DEFAULTS).rows["ln_d"].mean
    for says in (-0.5, 0.0, 0.8, 2.5):
        row = prior_of(origin("ME"), [taught("ME", mean + says, 0.15), *others], DEFAULTS).rows["ln_d"]
        assert (row.mean, row.timbers, row.near) == (mean, 8, 8)


def test_a_tree_that_is_different_is_not_overruled():
    others, _ = yard_of(np.random.default_rng(5), 1, 10, lots_sd=0.6, trees_sd=0.25, error=0.15)
    plain = prior_of(origin("ME"), others, DEFAULTS).rows["ln_d"]
    own, sd = plain.mean + 2.0, 0.15
    row = prior_of(origin("ME"), [*others, taught("ME", own, sd)], DEFAULTS).rows["ln_d"]
    weight = row.sd**2 / (row.sd**2 + sd**2)
    assert abs(row.mean + weight * (own - row.mean) - own) < 0.07  # what its readings say stands
    assert row.parted
    assert not plain.parted
    alike = prior_of(origin("ME"), [*others, taught("ME", plain.mean + 0.2, sd)], DEFAULTS).rows["ln_d"]
    assert alike == plain


def test_one_odd_tree_of_a_lot_spoils_neither_middle_nor_width_for_the_next():
    others, _ = yard_of(np.random.default_rng(5), 1, 10, lots_sd=0.6, trees_sd=0.25, error=0.15)
    odd = taught("ODD", others[0].own.says["ln_d"].value + 2.5)
    before, after = (
        prior_of(origin("NEW"), each, DEFAULTS).rows["ln_d"] for each in (others, [*others, odd])
    )
    assert abs(after.mean - before.mean) < 0.1
    assert before.sd <= after.sd < 1.25 * before.sd
    half = [taught(f"B{k}", 1.5 + each.own.says["ln_d"].value) for k, each in enumerate(others)]
    assert prior_of(origin("NEW"), [*others, *half], DEFAULTS).rows["ln_d"].sd > LN2  # two kinds in one lot


def test_a_meters_bias_is_learned_over_all_timbers_and_woods_that_it_read():
    others = [
        taught(f"T{k}", 2.0 + 0.2 * (k % 3 - 1), 0.6, "meter_bias", species=("white oak", "larch")[k % 2])
        for k in range(9)
    ]
    others += [taught(f"S{k}", -1.0, 0.6, "meter_bias", meter="fixed sensors") for k in range(9)]
    hand, sensor, new = (
        prior_of(origin("NEW", species="Douglas-fir", meter=name), others, DEFAULTS).rows
        for name in ("hand-held meter", "fixed sensors", "sensor S7")
    )
    assert hand["meter_bias:hand-held meter"].mean == pytest.approx(2.0, abs=0.3)
    assert hand["meter_bias:hand-held meter"].sd < 0.9
    assert sensor["meter_bias:fixed sensors"].mean == pytest.approx(-1.0, abs=0.3)
    assert new["meter_bias:sensor S7"].sd > 1.2
    assert prior_of(origin("NEW", meter=None), others, DEFAULTS).rows == {}  # read by two meters, or by none
    prior = YardPrior(rows=hand)
    assert prior.row("meter_bias") is hand["meter_bias:hand-held meter"]
    assert prior.row("ln_d") is None


def test_a_place_teaches_its_air_and_a_timber_that_was_moved_neither_teaches_nor_takes_it():
    others = [taught(f"T{k}", 0.6, 0.2, "ln_surface", place="loft") for k in range(8)]
    loft, shed, moved = (
        prior_of(origin("NEW", place=where), others, DEFAULTS).rows for where in ("loft", "shed", None)
    )
    assert loft["ln_surface"].sd < 0.6 * 0.5 < shed["ln_surface"].sd
    assert moved == {}
    nowhere = [dataclasses.replace(each, timber=origin(each.timber.tag, place=None)) for each in others]
    assert prior_of(origin("NEW"), nowhere, DEFAULTS).rows == {}


def test_timbers_that_came_together_are_a_lot():
    made = [
        origin("A", arrived_utc=CAME), origin("B", arrived_utc=CAME + 2 * DAY),
        origin("C", arrived_utc=CAME + 3 * DAY), origin("D", arrived_utc=CAME, species="larch"),
        origin("E", arrived_utc=CAME, arrived_at="loft"), origin("F", arrived_utc=CAME + 4 * DAY),
    ]  # fmt: skip
    expected = {"A": "A", "B": "A", "C": "C", "D": "D", "E": "E", "F": "C"}
    assert lots(made) == expected
    assert lots([made[i] for i in (3, 5, 1, 4, 0, 2)]) == expected


def test_the_order_of_the_timbers_does_not_count():
    others, _ = yard_of(np.random.default_rng(5), 3, 4, lots_sd=0.6, trees_sd=0.25, error=0.15)
    mixed = sorted(others, key=lambda each: each.own.says["ln_d"].value)
    assert prior_of(origin("NEW"), mixed, DEFAULTS) == prior_of(origin("NEW"), others, DEFAULTS)


# --- what readings say, apart from the prior


def posterior(prior_mean, prior_sd, precision, truth, members=10**6):
    """An exact fit: normal prior, normal readings of some precision about the truth."""
    before = np.diag(1 / prior_sd**2)
    cov = np.linalg.inv(before + precision)
    return Posterior(
        names=NAMES, mean=cov @ (before @ prior_mean + precision @ truth), cov=cov, prior_mean=prior_mean,
        prior_cov=np.diag(prior_sd**2), default_mean=MIDDLE, default_sd=SD, members=members,
    )  # fmt: skip


def test_the_prior_is_taken_out_again_whatever_it_was():
    rng = np.random.default_rng(11)
    seen = rng.normal(0, 1, (30, len(NAMES))) / SD
    precision, truth = seen.T @ seen / 4, MIDDLE + 0.4 * SD * rng.normal(0, 1, len(NAMES))
    plain = own(posterior(MIDDLE, SD, precision, truth), JOINT_PARAMETERS).says
    told = own(posterior(MIDDLE + 0.1 * SD, 0.5 * SD, precision, truth), JOINT_PARAMETERS).says
    rest = np.arange(1, len(NAMES))
    inner = precision[np.ix_(rest, rest)] + np.diag(1 / SD[rest] ** 2)
    gain = precision[0, 0] - precision[0, rest] @ np.linalg.solve(inner, precision[rest, 0])
    assert plain["ln_d"].sd == pytest.approx(gain**-0.5, rel=0.02)
    for name in NAMES:
        unit = DEFAULTS[name][1]
        assert told[name].value == pytest.approx(plain[name].value, abs=0.1 * unit)
        assert told[name].sd == pytest.approx(plain[name].sd, rel=0.5)
    assert told["ln_d"].sd == pytest.approx(plain["ln_d"].sd, rel=0.15)


def drawn_from(known):
    """Mean and covariance of a fit's prior."""
    rows = [known.row(name) for name in NAMES]
    mean = np.array([m if row is None else row.mean for row, m in zip(rows, MIDDLE, strict=True)])
    sd = np.array([s if row is None else row.sd for row, s in zip(rows, SD, strict=True)])
    hanging = np.eye(len(NAMES))
    at = [NAMES.index(name) for name in known.together]
    if at:
        hanging[np.ix_(at, at)] = known.correlation
    return mean, np.outer(sd, sd) * hanging


def smoothed(mean, cov, seen, read, error, rng, members=64):
    """Four assimilations of linear readings by an ensemble, as a fit makes them."""
    drawn = rng.standard_normal((mean.size, members))
    drawn -= drawn.mean(axis=1, keepdims=True)
    drawn = np.linalg.solve(np.linalg.cholesky(drawn @ drawn.T / members), drawn)
    theta = mean[:, None] + np.linalg.cholesky(cov) @ drawn
    for _ in range(4):
        off = seen @ (theta - theta.mean(axis=1, keepdims=True))
        cross = (theta - theta.mean(axis=1, keepdims=True)) @ off.T
        noise = 2 * error * rng.standard_normal((read.size, members))
        both = off @ off.T / (members - 1) + 4 * error**2 * np.eye(read.size)
        theta = theta + cross / (members - 1) @ np.linalg.solve(both, read[:, None] + noise - seen @ theta)
    return theta


def test_a_fit_is_not_believed_far_beyond_itself():
    precision = np.diag(1 / SD**2)  # as strong as the prior: a fit goes half of the way
    found = [
        own(posterior(MIDDLE + begun * SD, SD, precision, MIDDLE + 2.5 * SD), JOINT_PARAMETERS)
        .says["ln_d"]
        .value
        / LN2
        for begun in (0.0, 2.0)
    ]
    assert found[0] == pytest.approx(1.25 + 0.5**0.5, rel=0.02)  # not 2.5
    assert found[1] == pytest.approx(2.5, rel=0.02)  # when the prior has followed


def test_readings_teach_only_what_they_see_even_through_the_noise_of_an_ensemble():
    rng = np.random.default_rng(12)
    heard = []
    for k in range(40):
        seen = np.zeros((12, len(NAMES)))
        seen[:, 0] = 3 / SD[0]
        theta = smoothed(MIDDLE, np.diag(SD**2), seen, rng.normal(0, 2, 12), 2.0, rng)
        one = Posterior(
            names=NAMES, mean=theta.mean(axis=1), cov=np.cov(theta), prior_mean=MIDDLE,
            prior_cov=np.diag(SD**2), default_mean=MIDDLE, default_sd=SD, members=64,
        )  # fmt: skip
        heard.append(Taught(timber=origin(f"T{k}"), own=own(one, JOINT_PARAMETERS)))
    rows = prior_of(origin("NEW"), heard, DEFAULTS).rows
    assert rows["ln_d"].sd < 0.3
    for name, row in rows.items():
        assert name == "ln_d" or row.sd > 0.85 * DEFAULTS[name.partition(":")[0]][1], name


def test_an_estimate_moves_half_way_from_night_to_night():
    before, now = ({"ln_d": Estimate(value=each, sd=sd)} for each, sd in ((0.0, 0.2), (1.0, 0.1)))
    found = settled(Own(says=before), Own(says=now)).says["ln_d"]
    assert found.value == pytest.approx(0.8)
    assert found.sd**-2 == pytest.approx((0.2**-2 + 0.1**-2) / 2)
    alone = settled(Own(says={}), Own(says=now))
    assert alone.says == {"ln_d": Estimate(value=1.0, sd=pytest.approx(0.1))}


def test_an_ensemble_too_small_for_its_numbers_is_refused():
    with pytest.raises(OutOfRange, match="12 members for 9 numbers, not 8"):
        own(posterior(MIDDLE, SD, np.eye(9), MIDDLE, members=8), JOINT_PARAMETERS)


def test_night_after_night_of_the_same_readings_the_yard_grows_no_surer():
    rng = np.random.default_rng(1)
    truths = [np.concatenate([[0.5 + rng.normal(0, 0.25)], rng.normal(0, 0.6, 8)]) for _ in range(10)]
    truths = [np.append(each[:1], MIDDLE[1:] + SD[1:] * each[1:]) for each in truths]
    seen = [rng.normal(0, 1, (12, 9)) / SD * np.array([3, 0.5, 0.1, 1, 1, 2, 0.5, 1, 0.3]) for _ in truths]
    read = [h @ each + rng.normal(0, 2, 12) for h, each in zip(seen, truths, strict=True)]
    known, new = [], []
    for _ in range(6):
        said = []
        for k, (h, r) in enumerate(zip(seen, read, strict=True)):
            mean, cov = drawn_from(prior_of(origin(f"T{k}"), known, DEFAULTS))
            theta = smoothed(mean, cov, h, r, 2.0, rng)
            fit = Posterior(
                names=NAMES, mean=theta.mean(axis=1), cov=np.cov(theta), prior_mean=mean, prior_cov=cov,
                default_mean=MIDDLE, default_sd=SD, members=64,
            )  # fmt: skip
            said.append(Taught(timber=origin(f"T{k}"), own=own(fit, JOINT_PARAMETERS)))
        earlier = {each.timber.tag: each.own for each in known}
        known = [
            dataclasses.replace(each, own=settled(earlier.get(each.timber.tag, each.own), each.own))
            for each in said
        ]
        new.append(prior_of(origin("NEW"), known, DEFAULTS).rows)
    first, last = new[0]["ln_d"], new[-1]["ln_d"]
    assert last.sd == pytest.approx(first.sd, rel=0.2)
    assert last.mean == pytest.approx(first.mean, abs=0.1)
    assert first.mean == pytest.approx(np.mean([each[0] for each in truths]), abs=0.25)


def test_every_number_that_is_learned_has_its_kin():
    assert set(LEARNED) == set(NAMES)
    assert {name for name, kin in LEARNED.items() if kin is Kin.METER} == {
        "meter_bias",
        "wet_slope",
    }
