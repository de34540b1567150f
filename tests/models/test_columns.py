"""Readings as columns: nothing of a person's is gathered, and parts put together are the whole."""

from __future__ import annotations

import random
from datetime import UTC, datetime, timedelta
from statistics import median

import numpy as np
import pytest

from baulk.models import columns, digest
from baulk.models.reading import Reading, Series

BEGAN = datetime(2026, 3, 1, tzinfo=UTC)
PIN, KG = "timber/T-1/pin-40/b/moisture", "timber/T-1/weight"


def reading(minutes, value, *, series=PIN, source="mqtt", flags=(), late_days=0.0):
    at = BEGAN + timedelta(minutes=minutes)
    return Reading(
        series=Series.parse(series), value=value, taken_utc=at, arrived_utc=at + timedelta(days=late_days),
        source=source, flags=flags,
    )  # fmt: skip


def rows(given: columns.Columns):
    """Each row as a tuple, to be compared."""
    return [
        (given.names[given.of[i]], given.flags[given.flagged[i]], given.sources[given.by[i]],
         *(getattr(given, name)[i].item() for name in columns.ROWS[3:]))
        for i in range(len(given))
    ]  # fmt: skip


def sensor(days, every_min, seed=1):
    rng = random.Random(seed)  # noqa: S311 - no secret
    for minutes in range(0, days * 1440, every_min):
        flags = ("at-least",) if rng.random() < 0.1 else ("above-fsp",) if rng.random() < 0.1 else ()
        yield reading(minutes, round(rng.gauss(24, 1), 1), flags=flags)
        yield reading(minutes, round(rng.gauss(9, 2), 1), series="timber/T-1/wood-temp")


def test_a_median_counts_each_value_as_often_as_it_stands_for():
    rng = np.random.default_rng(5)
    group = np.append(np.arange(40), rng.integers(0, 40, 300))
    count, value = rng.integers(1, 5, group.size), rng.normal(size=group.size).round(1)
    (found,) = columns.medians(group, count, value)
    for k in range(40):
        mine = group == k
        assert found[k] == median(np.repeat(value[mine], count[mine]).tolist())


def test_a_quarter_of_a_day_is_one_row_with_its_median_spread_and_count():
    given = [reading(30 * k, float(value)) for k, value in enumerate([20, 21, 22, 29, 23, 19])]
    (found,) = rows(columns.columns_of([*given, reading(360, 40.0)]).in_parts()[:1])
    at_s = BEGAN.timestamp() + 75 * 60
    assert found == (PIN, (), "mqtt", at_s, at_s, 21.5, 19.0, 29.0, 6)


@pytest.mark.parametrize(
    "kept",
    [
        {"source": "hand"},
        {"series": KG},
        {"late_days": 31.0},  # its clock may be wrong, and that is told from reading to reading
    ],
    ids=lambda each: next(iter(each)),
)
def test_what_a_person_read_weights_and_what_came_late_stay_as_they_were_read(kept):
    given = columns.columns_of([reading(minutes, 20.0 + minutes, **kept) for minutes in (0, 5, 10)])
    assert rows(given.in_parts()) == rows(given)


def test_flags_that_a_fit_heeds_keep_readings_apart_and_others_do_not():
    flags = [(), ("clock",), ("at-least", "jump"), ("end-305",), ("sensor-S7",), ("indicative",)]
    given = [reading(k, 20.0, flags=each) for k, each in enumerate(flags)]
    found = columns.columns_of(given).in_parts()
    assert min(rows(found), key=lambda one: one[1])[-1] == 2, "none and a clock's"
    assert {found.flags[k] for k in found.flagged} == {
        (), ("at-least",), ("end-305",), ("sensor-S7",), ("indicative",)
    }  # fmt: skip


def test_parts_put_together_are_the_whole():
    """What the store keeps of whole days, with what came since, is what it would be had it kept nothing."""
    every = list(sensor(4, 20))
    whole = columns.columns_of(every).in_parts()
    bound = BEGAN + timedelta(days=2)
    before, after = (
        columns.columns_of([one for one in every if (one.taken_utc < bound) is early])
        for early in (True, False)
    )
    for parts in ([before.in_parts(), after], [after, before], [after.in_parts(), before.in_parts()]):
        assert rows(columns.together(parts).in_parts()) == rows(whole)
        assert digest.of(digest.readings(columns.together(parts))) == digest.of(digest.readings(every))
    assert rows(whole.in_parts()) == rows(whole)
    assert len(whole) < len(every) / 8


def test_no_reading_is_no_row():
    none = columns.columns_of(())
    assert len(none.in_parts()) == 0
    assert len(columns.together([none, none])) == 0
    assert digest.of(digest.readings(none)) != digest.of(digest.readings([reading(0, 20.0)]))


def test_what_stands_side_by_side_is_found_as_by_sorting_the_rows():
    rng = np.random.default_rng(22)
    for size in (0, 1, 500):
        given = [rng.integers(0, most, size) for most in (7, 1, 3)]
        found, which = columns.distinct(*given)
        beside = list(zip(*(each.tolist() for each in given), strict=True))
        assert [tuple(each) for each in found.tolist()] == sorted(set(beside))
        assert [tuple(found[row].tolist()) for row in which] == beside


def test_the_digest_takes_readings_of_one_moment_in_any_order():
    many = [reading(60 * k, 20.0 + k) for k in range(4)]
    twice = [*many, reading(60, 25.0, flags=("at-least",)), reading(60, 31.0, series=KG)]
    found = {digest.of(digest.readings(each)) for each in (twice, twice[::-1], [*twice[3:], *twice[:3]])}
    assert len(found) == 1
    assert found != {digest.of(digest.readings(many))}


def test_what_is_in_order_is_left_and_all_else_is_sorted():
    rng = random.Random(5)  # noqa: S311 - no secret
    many = [reading(60 * k, 20.0 + k, series=each) for k in range(6) for each in (PIN, KG)]
    straight = columns.columns_of(many)
    assert straight.in_order() is straight
    for _ in range(10):
        rng.shuffle(many)
        assert rows(columns.columns_of(many).in_order()) == rows(straight)
    late = columns.columns_of([reading(60, 1.0, series=KG), reading(60, 2.0, series=PIN)])
    assert [row[0] for row in rows(late.in_order())] == [PIN, KG]
