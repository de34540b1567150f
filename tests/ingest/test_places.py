"""Places with air of their own, and the parts wanted: entered, replaced, listed; on both databases."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from baulk.ingest import shop
from baulk.models.errors import NotFound, OutOfRange
from baulk.models.plan.buying.parts import Part
from baulk.models.timber import Place

NOW = datetime(2026, 5, 14, 9, 30, tzinfo=UTC)
SHED = Place(name="shed", kind="room", width_m=9.0, depth_m=6.5, volume_m3=180.0, air_changes_per_h=0.4)
SILL = Part(
    name="port sill",
    width_mm=152.0,
    depth_mm=140.0,
    length_mm=3600.0,
    use_class="frame-outdoors",
    sweep_mm=25.0,
    wanted_by_utc=datetime(2027, 3, 1, tzinfo=UTC),
    heart="free",
    count=2,
)


@pytest.fixture(params=["sqlite", "postgres"])
def yard(request, tmp_path):
    folder = shop.init(tmp_path / "yard", name="Ferry yard")
    if request.param == "postgres":
        url, path = request.getfixturevalue("postgres_url"), folder / "baulk.toml"
        path.write_text(path.read_text().replace('kind = "sqlite"', f'kind = "postgres"\nurl = "{url}"'))
    with shop.open(folder) as opened:
        yield opened


def test_a_place_comes_back_as_entered_and_is_replaced_under_its_name(yard):
    yard.register.save_place(SHED)
    yard.register.save_place(Place(name="loft"))
    assert yard.register.places() == [Place(name="loft"), SHED]
    drier = replace(SHED, air_changes_per_h=None, note="door kept shut")
    yard.register.save_place(drier)
    assert yard.register.places() == [Place(name="loft"), drier]


def test_a_place_that_a_timber_lies_in_is_one_without_being_entered(yard, oak):
    yard.register.add(replace(oak, place="rack"))
    yard.register.save_place(SHED)
    assert [each.name for each in yard.register.places()] == ["rack", "shed"]
    yard.register.move(oak.tag, "shed", now_utc=NOW)
    assert yard.register.places() == [SHED]


def test_a_place_whose_name_could_not_stand_in_a_topic_is_refused(yard):
    with pytest.raises(OutOfRange, match="a tag or place"):
        yard.register.save_place(Place(name="the loft"))
    assert yard.register.places() == []


def test_a_new_place_makes_the_pages_look_again(yard):
    before = yard.store.revision()
    yard.register.save_place(SHED)
    assert yard.store.revision() > before


def test_parts_come_back_as_entered_in_their_order(yard):
    rail = Part(name="rail", width_mm=80.0, depth_mm=60.0, length_mm=2000.0, use_class="deck")
    for each in (SILL, rail):
        yard.register.save_part(each)
    assert yard.register.parts() == [SILL, rail]
    fewer = replace(SILL, count=1, wanted_by_utc=None)
    yard.register.save_part(fewer)
    assert yard.register.parts() == [fewer, rail]
    yard.register.remove_part("port sill")
    assert yard.register.parts() == [rail]
    with pytest.raises(NotFound, match="no part called 'raill'; did you mean rail"):
        yard.register.remove_part("raill")
