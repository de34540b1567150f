"""The short way for usual messages gives what the long one gives, whatever comes."""

from __future__ import annotations

import json
import math
from dataclasses import fields, replace
from datetime import timedelta
from itertools import product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from baulk.ingest import checks, known_places, pipeline, routing, sensors, usual
from baulk.ingest.wire import senml_quick
from baulk.ingest.wire.message import RawMessage, message_of
from baulk.models.quantity import AT_DEPTH, SPECS, Owner, Quantity
from baulk.models.reading import Reading, Series

from .conftest import NOW, raw


def series_of(quantity):
    owner = Owner.TIMBER if Owner.TIMBER in SPECS[quantity].owners else Owner.AIR
    depth_mm = 45.0 if quantity in AT_DEPTH else None
    return Series(owner=owner, name="FER-01", quantity=quantity, depth_mm=depth_mm)


class Before:
    """A store that knows the newest readings."""

    def __init__(self, readings):
        self.readings = readings

    def latest_of(self, those):
        return [one for one in self.readings if one.series in those]


def flagged_one_by_one(readings, newest):
    """Every check asked for every reading, in order of time."""
    before = {one.series: one for one in newest}
    found = []
    for one in sorted(readings, key=lambda each: each.taken_utc):
        previous = before.get(one.series)
        names = [check(one, previous) for check in checks._ALL[one.series.quantity]]
        new = tuple(name for name in names if name and name not in one.flags)
        found.append(replace(one, flags=(*one.flags, *new)))
        if previous is None or previous.taken_utc < one.taken_utc:
            before[one.series] = one
    return tuple(found)


LIMITS = [0.0, 0.5, 1.0, 2.0, 5.99, 6.0, 30.0, 30.01, 35.0, 98.0, 98.5, 99.0, 102.0, -5.0, -40.0, 55.0, 100.0]
values = st.sampled_from(LIMITS) | st.floats(min_value=-50, max_value=450)
readings = st.lists(
    st.tuples(
        st.sampled_from(list(Quantity)),
        values,
        st.integers(min_value=-3, max_value=30),
        st.sampled_from([(), ("jump",), ("ratio",)]),
    ),
    max_size=12,
)


def made(given_):
    return [
        Reading(
            series=series_of(q), value=v, taken_utc=NOW + h * timedelta(hours=1), arrived_utc=NOW, flags=f
        )
        for q, v, h, f in given_
    ]


@settings(max_examples=300)
@given(readings, readings)
def test_flags_are_those_of_every_check_asked_for_every_reading(come, stored):
    newest = list({one.series: one for one in made(stored)}.values())
    assert checks.flag(made(come), Before(newest)) == flagged_one_by_one(made(come), newest)


@pytest.mark.parametrize("quantity", Quantity)
def test_what_is_called_quiet_raises_no_flag_by_itself(quantity):
    low, high = checks._QUIET.get(quantity, (-1e6, 1e6))
    for value in (low, high, (low + high) / 2, math.nextafter(high, low), math.nextafter(low, high)):
        one = Reading(series=series_of(quantity), value=value, taken_utc=NOW, arrived_utc=NOW)
        assert not any(check(one, None) for check in checks._ALL[quantity])


def packs():
    """Packs about every limit that a white oak of the yard has."""
    for depth, share in product((20, 45, 177.8, 178, 203.2, 204), (0.05, 0.3, 0.9, 1.2, 1.6, 2.5, 4.0, 4.1)):
        for face in ("", "a/", "b/"):
            yield [{"n": f"pin-{depth}/{face}moisture", "u": "/", "v": share}]
    for kg in (0.0001, 1, 20, 30, 31, 32, 33, 34, 35, 60, 120, 130, 140, 150, 900, 20_001):
        yield [{"n": "weight", "u": "kg", "v": kg}]
    for name, unit in (("wood-temp", "Cel"), ("width", "m"), ("battery", "%EL"), ("battery-voltage", "V")):
        for value in (-41, -40, 0, 0.1, 0.2, 50, 51, 60, 100, 101):
            yield [{"n": name, "u": unit, "v": value}]
    for days in (0, 29, 30, 30.99, 31, 31.01, 32):
        yield [{"n": "weight", "u": "kg", "v": 60, "t": NOW.timestamp() - 86_400 * days}]


@pytest.mark.parametrize(
    "where", ["timber/FER-01", "air/shed", "sensor/S1", "sensor/S1/air/shed", "timber/X-9"]
)
def test_what_takes_the_short_way_comes_out_as_by_the_long_one(yard, where):
    tags, places = yard.register.known(), known_places.names(yard)
    ways = usual.Ways(yard, tags, places)
    air = [
        [{"n": n, "u": u, "v": v}]
        for n, u in (("temp", "Cel"), ("humidity", "%RH"))
        for v in (-50, 9, 99, 120)
    ]
    taken = 0
    for pack in [*packs(), *air]:
        one = raw(json.dumps(pack), f"baulk/v1/ferry-yard/{where}")
        way = ways[one.topic]
        found = None if way is None else senml_quick.read(one, way)
        if found is not None:
            taken += 1
            assert routing.route(one, yard, tags, sensors.Sensors(yard)) == routing.Routed(
                readings=tuple(found), cause=pipeline.Cause.IMPOSSIBLE
            )
    assert (taken > 3) is (where in {"timber/FER-01", "air/shed", "sensor/S1/air/shed"})


def test_a_timber_edited_here_has_its_new_limits_at_once(yard):
    one = raw('[{"n": "weight", "u": "kg", "v": 120}]')
    assert pipeline.handle(one, yard) == 1
    yard.register.edit("FER-01", by="A", now_utc=NOW, length_mm=900.0)
    assert pipeline.handle(replace(one, arrived_utc=NOW + timedelta(hours=1)), yard) == 0
    assert yard.store.quarantined()[0].cause is pipeline.Cause.IMPOSSIBLE


def test_a_message_made_in_short_is_one_made_at_length():
    given_ = {"topic": "t", "payload": b"p", "arrived_utc": NOW, "mid": 7, "linked_utc": NOW}
    quick = message_of(*given_.values(), retained=True, again=False)
    whole = RawMessage(**given_, retained=True, again=False)
    assert {one.name: getattr(quick, one.name) for one in fields(RawMessage)} == {
        one.name: getattr(whole, one.name) for one in fields(RawMessage)
    }
