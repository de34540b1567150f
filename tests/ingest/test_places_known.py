"""A slip makes no new place, and no sensor is taken off a timber in silence."""

from __future__ import annotations

from datetime import timedelta

import pytest

from baulk.ingest import hand_readings, known_places, operations, pipeline, shop
from baulk.ingest.errors import Unlikely
from baulk.ingest.exchange import import_readings, import_timbers
from baulk.ingest.store.rejected import Cause
from baulk.models.errors import OutOfRange
from baulk.models.quantity import Owner
from baulk.models.reading import Series
from baulk.models.timber import Event, EventKind, Place

from .conftest import NOW, raw, timber

HOUR = timedelta(hours=1)
AIR = "baulk/v1/ferry-yard/air/"
TEMP = '[{"n":"temp","u":"Cel","v":21}]'


def test_a_slip_of_the_pen_offers_the_place_that_is_meant(yard):
    operations.add_place(yard, Place(name="loft"))
    moved = Event(
        tag="FER-01", kind=EventKind.MOVED, at_utc=NOW, noted_utc=NOW, detail={"from": "", "to": "lofft"}
    )
    deeds = (
        lambda: operations.add_timber(yard, timber("FER-02", place="lofft"), sure=True),
        lambda: operations.edit_timber(yard, "FER-01", now_utc=NOW, place="lofft"),
        lambda: operations.add_event(yard, moved),
        lambda: hand_readings.add(yard, Series.parse("air/lofft/temp"), 20, now_utc=NOW),
    )
    for deed in deeds:
        with pytest.raises(Unlikely, match=r"did you mean loft\? `baulk place add lofft`") as told:
            deed()
        assert told.value.option == "--new-place"
    assert {one.name for one in yard.register.places()} == {"shed", "loft"}
    operations.add_event(yard, moved, new_place=True)
    assert yard.register.get("FER-01").place == "lofft"


def test_the_first_place_of_a_shop_needs_no_word(yard_dir):
    with shop.open(yard_dir) as opened:
        operations.add_timber(opened, timber(place="yard"))
        assert known_places.names(opened, again=True) == {"yard"}


def test_air_of_an_unknown_place_waits_and_is_stored_once_the_place_is_entered(yard):
    assert pipeline.handle(raw(TEMP, f"{AIR}shed"), yard) == 1
    assert pipeline.handle(raw(TEMP, f"{AIR}lofft"), yard) == 0
    (row,) = yard.store.quarantined()
    assert (row.cause, row.waits_for) == (Cause.UNKNOWN_PLACE, "place:lofft")
    assert "no place called 'lofft'; enter it (place add)" in row.reason
    assert yard.store.replayable_tags() == []
    assert operations.add_place(yard, Place(name="lofft")) == 1
    assert yard.store.quarantine_count() == 0
    assert pipeline.handle(raw(TEMP, f"{AIR}lofft", arrived=NOW + HOUR), yard) == 1


@pytest.mark.parametrize("way", ["a timber comes", "one is moved there", "another process"])
def test_air_that_waits_is_stored_however_its_place_becomes_known(yard, way):
    pipeline.handle(raw(TEMP, f"{AIR}loft"), yard)
    if way == "a timber comes":
        assert operations.add_timber(yard, timber("FER-02", place="loft"), sure=True, new_place=True) == 1
    elif way == "one is moved there":
        moved = {"from": "", "to": "loft"}
        event = Event(tag="FER-01", kind=EventKind.MOVED, at_utc=NOW, noted_utc=NOW, detail=moved)
        operations.add_event(yard, event, new_place=True)
    else:
        yard.register.save_place(Place(name="loft"))
        assert yard.store.replayable_tags() == ["place:loft"]
        pipeline.replay(yard)
    assert [one.value for one in yard.store.readings(Owner.AIR, "loft")] == [21]


def test_a_place_that_the_settings_name_and_one_whose_air_is_stored_are_known(yard_dir):
    path = yard_dir / "baulk.toml"
    source = (
        '\n[[source]]\ntopic = "x/1"\nformat = "plain"\nquantity = "temp"\nunit = "degC"\nplace = "attic"\n'
    )
    path.write_text(path.read_text() + source)
    with shop.open(yard_dir) as opened:
        opened.register.add(timber())
        assert pipeline.handle(raw("20", "x/1"), opened) == 1
        assert known_places.names(opened, again=True) == {"shed", "attic"}


def test_a_file_with_a_new_place_says_so(yard, tmp_path):
    path = tmp_path / "air.csv"
    path.write_text("place,quantity,taken,value,unit\nshet,temp,2026-05-01T10:00Z,20,degC\n")
    report = import_readings.of_long(path, yard).look(yard, NOW)
    assert report.unlikely_rows == ("line 2: no place called 'shet'; did you mean shed?",)
    path.write_text(
        "tag,species,green,finished,length,use,arrived,place\n"
        "A-1,white oak,203 x 203,152 x 152,3 m,frame-outdoors,2026-05-01,shet\n"
    )
    (row,) = import_timbers.of_file(path).look(yard, NOW).rows
    assert row.doubt == "no place called 'shet'; did you mean shed?; it is taken as a new one"


# --- sensors


def attach(yard, tag, **more):
    return operations.attach_sensor(yard, "S7", tag, now_utc=NOW, **more)


def test_a_sensor_that_sits_on_a_timber_is_taken_off_only_when_that_is_said(yard):
    operations.add_timber(yard, timber("FER-02"), sure=True)
    attach(yard, "FER-01", depth_mm=45.0, at_utc=NOW - HOUR)
    with pytest.raises(Unlikely, match=r"sensor S7 is on FER-01 since 2026-05-14") as told:
        attach(yard, "FER-02", depth_mm=45.0)
    assert told.value.option == "--move"
    assert yard.register.attached("S7", NOW).tag == "FER-01"
    attach(yard, "fer-01", depth_mm=60.0)  # deeper in the same one
    attach(yard, "FER-02", depth_mm=45.0, move=True)
    assert yard.register.attached("S7", NOW).tag == "FER-02"


def test_pins_need_their_depth_when_the_settings_or_what_was_say_that_they_are_pins(yard_dir):
    path = yard_dir / "baulk.toml"
    before, source = (
        path.read_text(),
        'topic = "p/+"\nformat = "plain"\nquantity = "moisture"\nunit = "percent"\n',
    )
    path.write_text(f'{before}\n[[source]]\n{source}sensor = "{{1}}"\n')
    with shop.open(yard_dir) as opened:
        opened.register.add(timber())
        with pytest.raises(OutOfRange, match="needs the depth of its tips"):
            attach(opened, "FER-01")
        attach(opened, "FER-01", depth_mm=45.0)
    path.write_text(before)
    with shop.open(yard_dir) as opened, pytest.raises(OutOfRange, match="needs the depth"):
        attach(opened, "FER-01")


def test_a_sensor_of_which_nothing_is_known_is_asked_for_its_depth_and_a_scale_needs_none(yard):
    operations.add_timber(yard, timber("FER-02"), sure=True)
    cell = {"sensor": "cell-2", "now_utc": NOW}
    with pytest.raises(Unlikely, match="nothing tells yet what sensor cell-2 measures") as told:
        operations.attach_sensor(yard, tag="FER-01", **cell)
    assert told.value.option == "--yes"
    assert yard.register.attached("cell-2", NOW) is None
    first, _ = operations.attach_sensor(yard, tag="FER-01", sure=True, **cell)
    operations.attach_sensor(yard, tag="FER-02", move=True, **cell)  # said once, that holds
    operations.undo(yard, first.number + 1, by="Ida", now_utc=NOW)
    operations.undo(yard, first.number, by="Ida", now_utc=NOW)
    with pytest.raises(Unlikely, match="nothing tells yet"):  # and not, once it was taken back
        operations.attach_sensor(yard, tag="FER-01", **cell)
    pack = b'[{"n": "weight", "u": "kg", "v": 104.3}]'
    pipeline.handle(raw(pack, f"baulk/v1/{yard.config.slug}/sensor/cell-2", arrived=NOW), yard)
    _, settled = operations.attach_sensor(yard, tag="FER-01", at_utc=NOW - HOUR, **cell)
    assert settled.came == 1  # its waiting weight tells


def test_pins_need_their_depth_when_their_readings_wait(yard_dir):
    path = yard_dir / "baulk.toml"
    source = 'topic = "p/+"\nformat = "plain"\nquantity = "moisture"\nunit = "percent"\nsensor = "{1}"\n'
    other = source.replace('"p/+"', '"t/+"').replace("moisture", "wood-temp").replace("percent", "degC")
    path.write_text(f"{path.read_text()}\n[[source]]\n{source}\n[[source]]\n{other}")
    with shop.open(yard_dir) as opened:
        opened.register.add(timber())
        pipeline.handle(raw(b"31.5", "p/S7"), opened)
        with pytest.raises(OutOfRange, match="needs the depth of its tips"):
            attach(opened, "FER-01", at_utc=NOW - HOUR)
        _, settled = attach(opened, "FER-01", depth_mm=45.0, at_utc=NOW - HOUR)
        assert settled.came == 1
        with pytest.raises(Unlikely, match="nothing tells yet"):  # it may be either of the two
            operations.attach_sensor(opened, "T1", "FER-01", now_utc=NOW)
        operations.attach_sensor(opened, "T1", "FER-01", now_utc=NOW, sure=True)
        pipeline.handle(raw(b"31.5", "p/T1", arrived=NOW + HOUR), opened)
        (row,) = opened.store.quarantined(5)
        assert "its depth is unknown" in row.reason
