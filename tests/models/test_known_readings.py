"""Readings of which some years are packed say what they say as columns, however they are divided.

Both sides take the digest by the same function: a column that it left out altogether would be found by the
changes below, one that a fit came to look at later would not.
"""

from __future__ import annotations

import pickle
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from baulk.models.columns import ROWS, Columns, together
from baulk.models.known_readings import (
    KnownReadings,
    begins_s,
    from_columns,
    pack,
    pack_year,
    unpack,
    years_of,
)
from baulk.models.reading import Series

PINS = tuple(Series.parse(f"timber/FER-01/pin-{depth}/b/moisture") for depth in (20, 45))
FIRST_S = datetime(2023, 2, 1, tzinfo=UTC).timestamp()
YEARS = (2023, 2024, 2025)


def rows(count=400, seed=1):
    """Quarters of a day over three years of two pins, some at the limit of their meter, some by hand."""
    rng = np.random.default_rng(seed)
    taken_s = np.sort(rng.integers(0, 1000 * 86_400, count)) + FIRST_S
    value = (20 + rng.normal(0, 2, count)).round(1)
    return Columns(
        series=PINS, flags=((), ("at-least",)), sources=("mqtt", "hand"),
        of=rng.integers(0, 2, count), flagged=rng.integers(0, 2, count), by=rng.integers(0, 2, count),
        taken_s=taken_s, arrived_s=taken_s, value=value, low=value - 0.5, high=value + 0.25,
        count=rng.integers(2, 7, count),
    ).in_order()  # fmt: skip


def parted(whole, years, left=0):
    """Pack the rows of some years, but for the last few of each."""
    of_year, some, rest = years_of(whole.taken_s), [], []
    for number in YEARS:
        those = whole[of_year == number]
        cut = len(those) - left if number in years else 0
        if cut:
            some.append(pack_year(number, those[:cut]))
        rest.append(those[cut:])
    return KnownReadings(years=tuple(some), rest=together(rest))


@pytest.mark.parametrize("left", [0, 3])
@pytest.mark.parametrize("years", [(), (2023,), (2024,), (2023, 2025), YEARS])
def test_it_does_not_matter_which_years_are_packed(years, left):
    whole = rows()
    found = parted(whole, years, left)
    assert [each.number for each in found.years] == list(years)
    assert found.digests() == from_columns(whole).digests()
    assert found.kinds() == from_columns(whole).kinds()
    for name in ROWS[3:]:
        assert getattr(found.columns, name).tobytes() == getattr(whole, name).tobytes(), name
    assert [found.columns.names[of] for of in found.columns.of] == [whole.names[of] for of in whole.of]


@pytest.mark.parametrize("column", ["value", "low", "high", "count", "taken_s"])
def test_another_number_changes_the_digest_of_its_year_alone(column):
    whole = rows()
    at = int(np.flatnonzero(years_of(whole.taken_s) == 2024)[5])
    changed = getattr(whole, column).copy()
    changed[at] += 1
    other = replace(whole, **{column: changed})
    before, after = (dict(from_columns(each).digests()) for each in (whole, other))
    assert [year for year in YEARS if before[year] != after[year]] == [2024]


def test_a_timber_of_another_name_tells_the_same():
    other = tuple(Series.parse(str(each).replace("FER-01", "FER-02")) for each in PINS)
    assert from_columns(replace(rows(), series=other)).digests() == from_columns(rows()).digests()


def test_numbers_of_any_kind_come_out_as_they_were():
    odd = np.array([0.1, -7.25, 1e300, np.pi, np.nan] * 80)
    some = replace(rows(), value=odd, low=-odd, high=np.zeros(400), count=np.arange(400) * 10**12 + 1)
    found = unpack(pack(some))
    for name in ROWS:
        before, after = getattr(some, name), getattr(found, name)
        assert before.dtype == after.dtype
        assert before.tobytes() == after.tobytes(), name
    assert (found.series, found.flags, found.sources) == (some.series, some.flags, some.sources)


def test_they_are_handed_on_packed():
    found = parted(rows(), YEARS[:2])
    assert found.columns is found.columns
    size = len(pickle.dumps(found))
    assert size == len(pickle.dumps(parted(rows(), YEARS[:2])))  # what was unpacked meanwhile stays here
    again = pickle.loads(pickle.dumps(found))  # noqa: S301 - our own
    assert again.digests() == found.digests()
    assert again.columns.value.tobytes() == found.columns.value.tobytes()


def test_a_year_begins_on_its_first_of_january():
    for year in (1969, 1970, 2000, 2024, 2026):
        begin = datetime(year, 1, 1, tzinfo=UTC).timestamp()
        assert begins_s(year) == begin
        assert years_of(np.array([begin - 1, begin])).tolist() == [year - 1, year]


def test_a_timber_without_readings_tells_nothing():
    none = from_columns(())
    assert none.digests() == ()
    assert none.kinds() == {}
    assert len(none.columns) == 0
