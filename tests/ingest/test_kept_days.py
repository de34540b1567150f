"""In every store: what is kept of whole days is what the readings give, whatever happened to them since."""

from __future__ import annotations

import random
import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from test_store import folder_of, influx  # noqa: F401 - a fixture

from baulk.ingest import shop
from baulk.ingest.store import STORES
from baulk.models import digest, known_readings
from baulk.models.known_readings import from_columns
from baulk.models.quantity import Owner
from baulk.models.reading import Reading, Series

BEGAN = datetime(2026, 3, 1, tzinfo=UTC)
NOW = BEGAN + timedelta(days=6, hours=15, minutes=20)
TAG = "FER-01"
ENDS = "pin-30/b/moisture", "pin-60/moisture", "weight"
PIN, OTHER, KG = (Series.parse(f"timber/{TAG}/{end}") for end in ENDS)


def one(hours, value, series=PIN, **more):
    at = BEGAN + timedelta(hours=hours)
    return Reading(series=series, value=value, taken_utc=at, arrived_utc=at, **more)


def sensor(hours, series=PIN, seed=1, every=1.0):
    rng = random.Random(seed)  # noqa: S311 - no secret
    count = int(hours / every)
    return [one(every * k, round(30 + rng.gauss(0, 1), 1), series) for k in range(count)]


@pytest.fixture(params=sorted(STORES))
def store(request, tmp_path):
    with shop.open(folder_of(request.param, request, tmp_path)) as yard:
        every = [*sensor(6.5 * 24), *sensor(6.5 * 24, OTHER, 2, 0.5), one(40, 96.5, KG, source="hand")]
        yard.store.append(every)
        yield yard.store


def agrees(store, now=NOW):
    """Hold the days that are kept against all readings; give how many readings the rows stand for."""
    known = [
        each for each in store.readings(Owner.TIMBER, TAG) if min(each.taken_utc, each.arrived_utc) <= now
    ]
    found, whole = store.known(TAG, now), from_columns(known)
    assert digest.of(digest.readings(found.columns)) == digest.of(digest.readings(known))
    assert found.digests() == whole.digests()
    assert found.kinds() == whole.kinds()
    assert int(found.columns.count.sum()) == len(known)
    return len(known)


def asked(store, monkeypatch):
    """Note from and before when readings are read as they came."""
    spans = []
    reads = store.apart_readings.columns

    def noting(owner, name, since_us, before_us):
        spans.append((since_us, before_us))
        return reads(owner, name, since_us, before_us)

    monkeypatch.setattr(store.apart_readings, "columns", noting)
    return spans


def us(days):
    return int((BEGAN + timedelta(days=days)).timestamp() * 1e6)


def test_days_that_are_over_are_not_read_again(store, monkeypatch):
    assert agrees(store) == 6.5 * 24 * 3 + 1
    spans = asked(store, monkeypatch)
    agrees(store)
    assert spans == [(us(6), None)]
    spans.clear()
    store.append([one(6.5 * 24 + k, 29.0) for k in range(1, 30)])
    agrees(store, NOW + timedelta(days=1))
    assert spans == [(us(6), us(7)), (us(7), None)], "a day that is over since"


def late(store):
    store.append([one(30.5, 12.0), one(31.5, 13.0)])


def from_a_file(store):
    store.append([replace(one(2 * 24 + 0.25, 12.0), source="import")])


def taken_back(store):
    store.reattribute([one(40, 96.5, KG, source="hand")], [])


def put_right(store):
    (wrong,) = [each for each in store.readings(Owner.TIMBER, TAG) if each.series == KG]
    store.reattribute([wrong], [replace(wrong, value=91.0)])


def flagged(store):
    some = [each for each in store.readings(Owner.TIMBER, TAG) if each.series == PIN][26:30]
    store.reattribute(some, [replace(each, flags=("at-least",)) for each in some])


def moved(store):
    some = [each for each in store.readings(Owner.TIMBER, TAG) if each.series == OTHER][60:90]
    store.reattribute(some, [replace(each, series=replace(OTHER, name="FER-02")) for each in some])


def thinned(store):
    assert store.thin(NOW, keep_days=3.0, to="daily") > 100


def carried(store):
    store.take_over([one(50.5, 19.0)])


def met(store):
    """Another sensor of it, which had sent before it was known whose it is."""
    store.append(sensor(90, Series.parse(f"timber/{TAG}/wood-temp"), 3))


@pytest.mark.parametrize(
    "happens", [late, from_a_file, taken_back, put_right, flagged, moved, thinned, carried, met]
)
def test_what_happens_to_a_reading_happens_to_its_day(store, happens):
    before = store.known(TAG, NOW).digests()
    happens(store)
    agrees(store)
    assert store.known(TAG, NOW).digests() != before
    agrees(store, NOW - timedelta(days=2, hours=3))  # as of an earlier day


def test_a_day_is_done_again_alone(store, monkeypatch):
    agrees(store)
    late(store)
    spans = asked(store, monkeypatch)
    agrees(store)
    assert spans == [(us(1), us(2)), (us(6), None)]
    spans.clear()
    agrees(store)
    assert spans == [(us(6), None)], "and once"


def test_days_put_down_while_others_are_read_are_not_taken_for_done(store, monkeypatch):
    agrees(store)
    late(store)
    reads = store.apart_readings.columns

    def slowly(owner, name, since_us, before_us):
        found = list(reads(owner, name, since_us, before_us))
        if before_us is not None:
            monkeypatch.undo()
            store.append([one(32.5, 11.0)])
        return iter(found)

    monkeypatch.setattr(store.apart_readings, "columns", slowly)
    store.known(TAG, NOW)
    agrees(store)


def test_a_quarter_of_a_day_comes_as_it_was_read_where_that_is_asked_for(store):
    loose = BEGAN + timedelta(hours=30), BEGAN + timedelta(hours=36)
    known = store.known(TAG, NOW, loose)
    found = known.columns
    at = (found.taken_s >= loose[0].timestamp()) & (found.taken_s < loose[1].timestamp())
    assert at.sum() == 6 * 3
    assert set(found.count[at]) == {1}
    assert known.digests() == store.known(TAG, NOW).digests()


@pytest.mark.parametrize("key", [f"days/of/{TAG}", f"days/year/{TAG}/2026"])
def test_what_is_kept_can_be_lost_or_damaged(store, key):
    agrees(store)
    for spoiled in (b"", b"x" * 99, b"[]", b'{"form": 2}'):
        store.note(key, spoiled)
        agrees(store)
    store.forget(key)
    agrees(store)
    store.forget(key, f"days/again/{TAG}", "days/upto")
    agrees(store)
    store.recount()  # the readings may be others by now, where they lie apart
    assert store.apart != bool(store.notes("days/of/"))
    assert store.apart != bool(store.notes("days/year/"))
    agrees(store)


def test_a_day_that_is_over_writes_the_rows_of_its_year_alone(store, monkeypatch):
    packed = []
    plainly = known_readings.pack
    monkeypatch.setattr(known_readings, "pack", lambda rows: packed.append(rows) or plainly(rows))
    store.append(sensor(24, seed=4, every=0.5))
    before = [replace(each, taken_utc=each.taken_utc - timedelta(days=400)) for each in sensor(60, seed=5)]
    store.append([replace(each, arrived_utc=each.taken_utc) for each in before])
    agrees(store)
    assert set(store.notes("days/year/")) == {f"days/year/{TAG}/{year}" for year in (2025, 2026)}

    def years():
        found = [{int(each.taken_s[n] // (365.2425 * 86_400)) + 1970 for n in (0, -1)} for each in packed]
        packed.clear()
        return found

    assert years() == [{2025}, {2026}]
    store.append([one(6.5 * 24 + k, 29.0) for k in range(1, 30)])
    agrees(store, NOW + timedelta(days=1))
    assert years() == [{2026}]
    store.append([replace(before[5], value=11.0, taken_utc=before[5].taken_utc + timedelta(minutes=7))])
    agrees(store, NOW + timedelta(days=1))
    assert years() == [{2025}], "a late one writes its own year"


def test_the_rows_of_a_year_without_readings_go(store):
    alone = replace(one(0, 21.0), taken_utc=BEGAN - timedelta(days=400))
    store.append([replace(alone, arrived_utc=alone.taken_utc)])
    agrees(store)
    gone = [each for each in store.readings(Owner.TIMBER, TAG) if each.taken_utc.year == 2025]
    store.reattribute(gone, [])
    agrees(store)
    assert set(store.notes("days/year/")) == {f"days/year/{TAG}/2026"}


def test_a_timber_without_readings_has_no_rows(store):
    assert len(store.known("FER-09", NOW).columns) == 0
