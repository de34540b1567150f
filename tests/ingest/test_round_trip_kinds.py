"""Every kind of event and of measurement goes out as CSV and comes in equal; a new kind fails first."""

from __future__ import annotations

import io
from dataclasses import replace
from datetime import UTC, timedelta

import pytest

from baulk.ingest import corrections, operations, shop
from baulk.ingest.exchange import export, import_events, import_readings, import_timbers, table_file
from baulk.ingest.exchange.export import Asked
from baulk.models.quantity import AT_DEPTH, SPECS, Owner, Quantity
from baulk.models.reading import Reading, Series
from baulk.models.section import Face
from baulk.models.timber import DETAILS, Event, EventKind

from .conftest import NOW, timber

LATER = NOW + timedelta(hours=1)
# one of each kind, with every detail that a person can give it
HAPPENED = {
    EventKind.MOVED: {"from": "shed", "to": "loft"},
    EventKind.TURNED: {"up": "b"},
    EventKind.END_SEALED: {},
    EventKind.COATED: {"faces": "ac", "coat": "wrap"},
    EventKind.STICKERED: {"faces": "c"},
    EventKind.CUT: {"length_mm": 2500.0, "weight_before_kg": 96.0, "weight_after_kg": 88.0},
    EventKind.PLANED: {
        "width_mm": 190.0, "depth_mm": 170.0, "weight_before_kg": 88.0, "weight_after_kg": 80.0,
        "from_width_mm": 203.2, "from_depth_mm": 177.8,
    },
    EventKind.KERFED: {"face": "c", "depth_mm": 70.0, "width_mm": 4.5},
    EventKind.MEASURED: {
        "width_mm": 189.0, "face": "a", "from_end_mm": 600.0, "bow_mm": 6.0, "crook_mm": 4.0, "twist_mm": 3.0,
        "length_mm": 2400.0, "cup_mm": 2.0, "out_of_square_mm": 1.5, "check_mm": 20.0, "wane_mm": 8.0,
        "wane_ab_mm": 20.5, "wane_ab_down_mm": 10.5,
        "wane_bc_mm": 21.5, "wane_bc_down_mm": 11.5,
        "wane_cd_mm": 22.5, "wane_cd_down_mm": 12.5,
        "wane_da_mm": 23.5, "wane_da_down_mm": 13.5,
    },
    EventKind.CHECKED: {
        "face": "b", "opening": "shake", "name": "long one", "length_mm": 610.0, "width_mm": 3.2,
        "depth_mm": 51.0, "from_end_mm": 300.0, "since": "2026-04-20", "from_d_mm": 60.0, "from_a_mm": 70.0,
    },
    EventKind.DEFECT: {
        "what": "knot", "from_d_mm": 40.0, "from_a_mm": 30.0, "width_mm": 25.0, "depth_mm": 35.0,
        "name": "upper", "from_end_mm": 300.0,
    },
    EventKind.OVEN_DRIED: {"mc_pct": 61.0, "from_end_mm": 700.0},
    EventKind.TARED: {"tare_kg": 2.5},
    EventKind.SENSOR_ATTACHED: {"sensor": "S7", "depth_mm": 45.0, "face": "b", "from_end_mm": 900.0},
    EventKind.SENSOR_DETACHED: {"sensor": "S7"},
    EventKind.PHOTOGRAPHED: {"file": "photos/one.jpg"},
    EventKind.SOURCED: {
        "supplier": "the mill", "log": "12", "lot": "L3", "felled": "2026-03-14", "grade": "A",
        "cost": "90 EUR",
        "part": "stem", "vessel": "ferry",
    },
    EventKind.FITTED: {},
    EventKind.PRIMED: {},
    EventKind.BEDDED: {},
    EventKind.LAUNCHED: {},
    EventKind.RETIRED: {"reason": "built in"},
}  # fmt: skip
# a second one of these is refused, for it changes nothing
ONCE = {
    EventKind.MOVED, EventKind.CUT, EventKind.PLANED, EventKind.SENSOR_ATTACHED, EventKind.SENSOR_DETACHED,
    EventKind.RETIRED,
}  # fmt: skip
ENTERED = {EventKind.ARRIVED}  # with the timber


def csv_of(opened, what):
    text = io.StringIO()
    table_file.write_csv(export.TABLES[what](opened, Asked()), text)
    return text.getvalue().encode()


def bring(here, there):
    events = import_events.of_file(csv_of(here, "events"), LATER, zone=UTC, name="events.csv")
    file = import_timbers.of_file(csv_of(here, "timbers"), name="timbers.csv", events=events)
    return file.bring(there, LATER, file.look(there, LATER), by="Ida")


def plain(event):
    return replace(event, number=0)


@pytest.fixture
def there(tmp_path):
    with shop.open(shop.init(tmp_path / "other", name="Other yard", units="inch")) as opened:
        yield opened


def test_the_list_holds_every_kind_with_every_detail():
    assert HAPPENED.keys() == set(EventKind) - {*ENTERED, EventKind.EDITED}
    for kind, detail in HAPPENED.items():
        known = {name.removesuffix("?") for name in DETAILS[kind]}
        assert detail.keys() == known - ({"depth_mm"} if kind is EventKind.MEASURED else set())


def test_an_event_of_each_kind_comes_back_equal_with_timbers_corrected_and_retired(yard, there):
    for days, (kind, detail) in enumerate(HAPPENED.items()):
        at = NOW - timedelta(days=25 - days)
        one = Event(
            tag="FER-01", kind=kind, at_utc=at, noted_utc=NOW, detail=detail, by="Ann", note="as seen"
        )
        entered, _ = operations.add_event(yard, one, sure=True, new_place=True)
        assert entered.detail == detail
        again = replace(one, at_utc=at + timedelta(hours=2))
        if kind not in ONCE:
            twice, _ = operations.add_event(yard, again, sure=True, new_place=True)
            operations.undo(yard, twice.number, by="Bo", now_utc=NOW)
        if kind is EventKind.PLANED:
            operations.edit_timber(
                yard, "FER-01", now_utc=NOW, species="northern red oak", by="Cy", note="bark", sure=True
            )
    report = bring(yard, there)
    assert not report.events.refused
    assert there.register.get("FER-01") == yard.register.get("FER-01")
    ours, theirs = (
        [plain(one) for one in each.register.events("FER-01", undone=True) if one.kind not in ENTERED]
        for each in (yard, there)
    )
    assert theirs == ours
    assert sum(not one.counts for one in theirs) == len(HAPPENED) - len(ONCE)
    assert {one.kind for one in theirs} == set(EventKind) - ENTERED
    assert bring(yard, there).events.entered == 0


def test_corrections_keep_who_when_and_why_and_can_be_taken_back_there(yard, there):
    def edit(hours, **changes):
        how = {"by": "Cy", "note": f"after {hours} hours", "sure": True, "new_place": True}
        return operations.edit_timber(yard, "FER-01", now_utc=NOW + timedelta(hours=hours), **how, **changes)

    start = yard.register.get("FER-01")
    edit(1, length_mm=2650.0)
    edit(2, place="loft", place_was_wrong=True, arrived_utc=start.arrived_utc - timedelta(days=9))
    at, cut = NOW + timedelta(hours=3), {"length_mm": 2500.0}
    operations.add_event(yard, Event(tag="FER-01", kind=EventKind.CUT, at_utc=at, detail=cut))
    edit(4, length_mm=2510.0, ends_sealed=True, heartwood_mm=120.0)
    (wrong,) = edit(5, species="northern red oak")
    operations.undo(yard, wrong.number, by="Di", now_utc=NOW + timedelta(hours=6))
    report = bring(yard, there)
    assert not report.events.refused
    ours, theirs = (
        [plain(one) for one in each.register.events("FER-01", undone=True) if one.kind not in ENTERED]
        for each in (yard, there)
    )
    assert theirs == ours
    assert there.register.get("FER-01") == yard.register.get("FER-01")
    assert bring(yard, there).events.entered == 0
    for each in (yard, there):  # what a correction replaced stands there again
        for one in reversed(each.register.events("FER-01")):
            if one.kind is not EventKind.ARRIVED:
                operations.undo(each, one.number, by="Di", now_utc=NOW + timedelta(hours=8))
        assert each.register.get("FER-01") == start


def test_what_was_taken_back_changes_nothing_elsewhere_and_stays_on_record(yard, there):
    for kind in (EventKind.MOVED, EventKind.CUT, EventKind.PLANED, EventKind.SENSOR_ATTACHED):
        one = Event(
            tag="FER-01", kind=kind, at_utc=NOW - timedelta(days=2), noted_utc=NOW, detail=HAPPENED[kind]
        )
        entered, _ = operations.add_event(yard, one, sure=True, new_place=True)
        operations.undo(yard, entered.number, by="Bo", now_utc=NOW)
    yard.register.add(timber("FER-09"))
    (arrival,) = yard.register.events("FER-09")
    operations.undo(yard, arrival.number, by="Bo", now_utc=NOW)
    report = bring(yard, there)
    assert not report.events.refused
    assert there.register.get("FER-01") == yard.register.get("FER-01")
    assert there.register.attached("S7", NOW) is None
    ours, theirs = (
        [plain(one) for one in each.register.events("FER-01", undone=True) if one.kind not in ENTERED]
        for each in (yard, there)
    )
    assert theirs == ours
    assert bring(yard, there).events.entered == 0


def of_quantity(quantity):
    """Give a series of a quantity, and a value that it can have."""
    spec = SPECS[quantity]
    owner = Owner.TIMBER if Owner.TIMBER in spec.owners else Owner.AIR
    pins = quantity in AT_DEPTH
    series = Series(
        owner=owner,
        name="FER-01" if owner is Owner.TIMBER else "shed",
        quantity=quantity,
        depth_mm=45.0 if pins else None,
        face=Face.B if pins else None,
    )
    value = {Quantity.WEIGHT: 96.25, Quantity.WIDTH: 201.75, Quantity.DEPTH: 176.5, Quantity.SIGNAL: -71.5}
    return series, value.get(quantity, 12.375)


PLACES = {Quantity.WIDTH: "end-1200.5/a/width", Quantity.DEPTH: "d/depth"}


def stored(opened, reading):
    """Give a reading as it is stored, with what the checks found."""
    (found,) = opened.store.readings(
        reading.series.owner, reading.series.name, reading.taken_utc, reading.taken_utc
    )
    return found


@pytest.mark.parametrize("quantity", sorted(Quantity))
def test_a_reading_of_each_quantity_comes_back_equal_a_corrected_one_as_it_is_now(yard, there, quantity):
    there.register.add(timber())
    series, value = of_quantity(quantity)
    if quantity in PLACES:
        series = Series.parse(f"timber/FER-01/{PLACES[quantity]}")
    flags = ("end-305",) if quantity in AT_DEPTH else ()
    at = NOW - timedelta(hours=2)
    made = [
        Reading(
            series=series,
            value=value + k / 8,
            taken_utc=at + timedelta(hours=k),
            arrived_utc=NOW,
            flags=flags,
        )
        for k in range(2)
    ]
    yard.store.append(made)
    corrections.put_right(
        yard, stored(yard, made[1]), value=value + 1, by="Ann", note="misread", now_utc=LATER, sure=True
    )
    file = import_readings.of_long(csv_of(yard, "readings"), there)
    report = file.bring(there, LATER, file.look(there, LATER))
    assert report.refused == 0
    ours, theirs = (
        [(one.series, one.value, one.taken_utc, set(one.flags) - {"corrected"}) for one in
         each.store.readings(series.owner, series.name)]
        for each in (yard, there)
    )  # fmt: skip
    assert theirs == ours
    assert [value for _, value, *_ in theirs] == [made[0].value, value + 1]
