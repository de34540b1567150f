"""What is handed to a worker is small, and comes out number for number."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))
import six_timbers
from six_timbers import NOW, TAGS

from baulk.ingest import shop
from baulk.ingest.evaluation import gather, parcel, yard_prior
from baulk.models import columns, known_readings
from baulk.models.air import AirSeries
from baulk.models.columns import ROWS, columns_of
from baulk.models.known_readings import KnownReadings, from_columns
from baulk.models.quantity import Owner
from baulk.models.reading import Series

YEAR_H = 365 * 24
MOST_KB = 150  # issue 22


@pytest.fixture
def inputs(tmp_path):
    """A timber with a year of hourly pins at three depths, and of hourly air that no two days have alike."""
    with shop.open(shop.init(tmp_path / "yard", name="Ferry yard")) as yard:
        six_timbers.fill(yard, TAGS[:1])
        found = gather.gather(TAGS[0], yard, NOW)
        (first, *_) = yard.store.readings(Owner.TIMBER, TAGS[0])
    rng = np.random.default_rng(3)
    hours = NOW.timestamp() // 3600 * 3600 - 3600.0 * np.arange(YEAR_H)[::-1]
    air = AirSeries(
        posix_s=hours,
        temp_c=(12 + rng.normal(0, 3, YEAR_H)).round(2),
        rh_pct=(70 + rng.normal(0, 5, YEAR_H)).round(1),
    )
    one = columns_of(
        [replace(first, series=Series.parse(f"timber/{TAGS[0]}/pin-30/b/moisture"), source="mqtt")]
    )
    depths = [
        replace(
            one[np.zeros(YEAR_H, np.int64)],
            series=(Series.parse(f"timber/{TAGS[0]}/pin-{depth}/b/moisture"),),
            taken_s=hours,
            arrived_s=hours,
            value=(value := (25 + rng.normal(0, 0.4, YEAR_H)).round(2)),
            low=value,
            high=value,
        ).in_parts()
        for depth in (20, 40, 75)
    ]
    return replace(
        found,
        known=from_columns(columns.together(depths)),
        stays=tuple(replace(each, own=air) for each in found.stays),
    )


def with_rows(inputs, **columns_of_them):
    """The same with a hundred readings, some of their columns replaced."""
    return replace(inputs, known=from_columns(replace(inputs.readings[:100], **columns_of_them)))


def test_a_year_of_hourly_pins_and_air_is_small(inputs):
    assert len(inputs.readings) == 3 * 365 * 4 + 3
    assert len(parcel.packed(inputs)) < MOST_KB * 1000


@pytest.mark.parametrize("far", [True, False])
def test_it_comes_out_number_for_number(inputs, far):
    odd = np.array([0.1, -7.25, 1e300, np.pi, np.nan] * 20)
    given = with_rows(inputs, value=odd, low=-odd, high=np.zeros(100))
    found = parcel.opened(parcel.packed(given, far=far))
    for name in ROWS:
        before, after = getattr(given.readings, name), getattr(found.readings, name)
        assert before.dtype == after.dtype
        assert before.tobytes() == after.tobytes(), name
    for name in ("posix_s", "temp_c", "rh_pct"):
        before, after = (getattr(each.stays[-1].own, name) for each in (given, found))
        assert before.tobytes() == after.tobytes(), name
    assert found.fingerprint() == given.fingerprint()


def test_the_air_of_a_place_is_packed_once_for_all_its_timbers(inputs, monkeypatch):
    twice = replace(inputs, stays=(*inputs.stays, inputs.stays[-1]))
    packed = []
    monkeypatch.setattr(
        parcel, "_pickled", lambda given, plainly=parcel._pickled: packed.append(given) or plainly(given)
    )
    one, other = parcel.packed(twice), parcel.packed(inputs)
    assert len(packed) == 3  # two inputs, one record of air
    assert len(one) < len(other) + 1000
    found = parcel.opened(one)
    assert {each.own for each in found.stays} == {found.stays[0].own}


def test_years_that_lie_packed_are_handed_on_as_they_are(inputs, monkeypatch):
    over, rest = inputs.readings.taken_s < known_readings.begins_s(NOW.year), inputs.readings
    known = KnownReadings(years=(known_readings.pack_year(NOW.year - 1, rest[over]),), rest=rest[~over])
    given = replace(inputs, known=known)
    with monkeypatch.context() as asked:
        asked.setattr(known_readings, "unpack", None)
        told = given.fingerprint(), yard_prior.origin_of(given.timber, known, given.stays, ())
        near, far = (parcel.packed(given, far=each) for each in (False, True))
    assert told == (
        inputs.fingerprint(), yard_prior.origin_of(given.timber, inputs.known, given.stays, ())
    )  # fmt: skip
    for each in (near, far):
        assert known.years[0].body in each
        found = parcel.opened(each).readings
        for name in ROWS[3:]:
            assert getattr(found, name).tobytes() == getattr(inputs.readings, name).tobytes(), name


def test_packed_air_is_let_go_with_the_record():
    hours = 3600.0 * np.arange(100)
    air = AirSeries(posix_s=hours, temp_c=np.full(100, 12.0), rh_pct=np.full(100, 70.0))
    parcel._air_packed(air)
    assert air in parcel._AIRS
    before = len(parcel._AIRS)
    del air
    assert len(parcel._AIRS) == before - 1


def test_numbers_of_any_size_come_out_as_whole_numbers(inputs):
    count = np.array([1, 255, 256, 70_000, 2**40] * 20)
    given = with_rows(inputs, count=count, of=np.zeros(100, np.int64))
    found = parcel.opened(parcel.packed(given)).readings
    assert found.count.dtype == np.int64
    assert np.array_equal(found.count, count)
