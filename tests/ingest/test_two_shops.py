"""Two shops open in one process, each with a wood and a use of its own under the same name."""

from __future__ import annotations

import sys
from datetime import timedelta
from pathlib import Path

import pytest

from baulk.ingest import operations

sys.path.insert(0, str(Path(__file__).parent))
import six_timbers
from six_timbers import NOW

from baulk.ingest import shop
from baulk.ingest.evaluation import compute, executors, gather
from baulk.ingest.exchange import import_timbers
from baulk.ingest.planning import sawing
from baulk.models import species, use_class
from baulk.models.errors import NotFound
from baulk.models.plan.buying import buy
from baulk.models.plan.buying import parts as buying_parts
from baulk.models.plan.buying.purchase import Wish
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import Series

TAG = "FER-01"
# what each shop says of the same two names
DENSITY = {"upper": 520, "lower": 690}
SHRINKS = {"upper": 6, "lower": 12}
TOLERANCE = {"upper": 2.0, "lower": 8.0}
IRONWOOD = {"upper": 1100, "lower": 1200}


def own(folder, name):
    (folder / species.FILE).write_text(
        "species,quantity,value,unit,source,mark\n"
        "ferry oak,like,white oak,-,our stand,measured\n"
        f"ferry oak,basic_density,{DENSITY[name]},kg/m3,our pieces,measured\n"
        f"ferry oak,shrinkage_tangential,{SHRINKS[name]},%,our pieces,measured\n"
        f"{name} ironwood,like,white oak,-,our stand,measured\n"
        f"{name} ironwood,basic_density,{IRONWOOD[name]},kg/m3,our pieces,measured\n"
    )
    (folder / use_class.FILE).write_text(
        f"{','.join(use_class.COLUMNS)}\n"
        f"bitts,Bitts of the {name} yard,14,22,{TOLERANCE[name]},no,,Holds warps.,ours,common practice\n"
        f"mud,Mud of the {name} yard,28,40,{TOLERANCE[name]},yes,,Lies in it.,ours,common practice\n"
    )


@pytest.fixture
def folders(tmp_path):
    found = {}
    for name in DENSITY:
        found[name] = shop.init(tmp_path / name, name=f"{name} yard", units="metric")
        own(found[name], name)
    return found


@pytest.fixture
def yards(folders):
    with shop.open(folders["upper"]) as upper, shop.open(folders["lower"]) as lower:
        yield {"upper": upper, "lower": lower}


def fill(opened, **more):
    operations.add_timber(
        opened, six_timbers.timber(TAG, **{"species": "ferry oak", "use_class": "bitts"} | more), now_utc=NOW
    )
    opened.store.append(six_timbers.air())
    pins = [six_timbers.pin(TAG, 38 - 1.0 * k, NOW - (100 - 10 * k) * timedelta(days=1)) for k in range(8)]
    opened.store.append(pins)


def test_each_knows_its_own_whichever_was_opened_last(yards, folders):
    for _ in range(2):
        for name, yard in yards.items():
            assert yard.woods.species.get("Ferry Oak").basic_density_kg_m3 == DENSITY[name]
            assert yard.woods.use_classes.get("bitts").tolerance_mm_per_150 == TOLERANCE[name]
    with shop.open(folders["upper"]):  # opened and closed again, the other still in use
        pass
    assert yards["lower"].woods.species.get("ferry oak").basic_density_kg_m3 == DENSITY["lower"]
    with pytest.raises(NotFound, match="no species called 'upper ironwood'; did you mean lower ironwood"):
        yards["lower"].woods.species.get("upper ironwood")
    with pytest.raises(NotFound):
        species.get("ferry oak")
    with pytest.raises(NotFound):
        use_class.get("bitts")


def test_a_shop_without_tables_beside_them_knows_neither(yards, tmp_path):
    folder = shop.init(tmp_path / "plain", name="Plain", units="metric")
    assert shop.woods_of(tmp_path).species.names() == species.names()  # no shop at all
    with shop.open(folder) as plain:
        with pytest.raises(NotFound, match="no species called 'ferry oak'"):
            fill(plain)
        with pytest.raises(NotFound, match="no use class called 'bitts'"):
            fill(plain, species="white oak")
    fill(yards["upper"])
    with pytest.raises(NotFound, match="no use class"):
        operations.edit_timber(yards["upper"], TAG, now_utc=NOW, use_class="lower bitts")
    assert shop.woods_of(yards["upper"].config.shop_dir).use_classes.get("bitts").tolerance_mm_per_150 == 2


def test_each_is_evaluated_by_its_own_tables_also_after_the_other_was(yards, folders):
    made = {}
    for name, yard in yards.items():
        fill(yard)
        made[name] = gather.evaluate(TAG, yard, NOW)
    for name, yard in yards.items():
        again = gather.gather(TAG, yard, NOW)
        assert (again.wood.basic_density_kg_m3, again.wood.shrinkage_tangential_pct) == (
            DENSITY[name],
            SHRINKS[name],
        )
        assert again.use.title == f"Bitts of the {name} yard"
        moved = made[name].document.movement
        assert moved.tolerance_mm == pytest.approx(TOLERANCE[name] * 110 / 150, abs=1e-3)
        told = made[name].to_json().decode()
        other = ({"upper", "lower"} - {name}).pop()
        assert f"of the {name} yard" in told  # what else it could be used for
        assert f"of the {other} yard" not in told
    wide = [made[name].document.movement.service_low.largest_mm.median for name in DENSITY]
    assert wide[1] > 1.4 * wide[0]  # twice the tangential shrinkage
    yards["lower"].close()
    with shop.open(folders["lower"]):
        pass
    alone = compute.work_out(gather.gather(TAG, yards["upper"], NOW))
    assert alone.document.movement == made["upper"].document.movement


@pytest.mark.slow
def test_a_process_beside_this_one_answers_by_the_shops_tables_too(yards):
    fill(yards["upper"])
    inputs = gather.gather(TAG, yards["upper"], NOW)
    beside = executors.LocalProcesses(1)
    try:
        made = beside.submit(inputs).result(timeout=120)
    finally:
        beside.close()
    assert made.failed is None
    assert made.to_json() == compute.answer(inputs).to_json()  # on every core here, on one there
    assert "of the upper yard" in made.to_json().decode()


def test_an_impossible_weight_is_held_against_the_woods_of_its_own_shop(yards):
    weight = Series(owner=Owner.TIMBER, name=TAG, quantity=Quantity.WEIGHT)
    for name, yard in yards.items():
        fill(yard, species="white oak")
        kg = 0.15 * 0.15 * 2.4 * IRONWOOD[name] * 1.45
        yard.store.append([six_timbers.reading(weight, kg, NOW - timedelta(days=100))])
    for name, yard in yards.items():
        made = compute.work_out(gather.gather(TAG, yard, NOW))
        assert f"{name} ironwood" in " ".join(made.document.calibration.left_out)


def test_the_fingerprint_changes_with_a_shops_own_row_and_not_with_the_other_shops(yards, folders):
    fill(yards["upper"])
    before = gather.gather(TAG, yards["upper"], NOW).fingerprint()
    (folders["lower"] / use_class.FILE).unlink()
    with shop.open(folders["lower"]), shop.open(folders["upper"]) as again:
        assert gather.gather(TAG, again, NOW).fingerprint() == before
    table = folders["upper"] / use_class.FILE
    table.write_text(table.read_text().replace("Mud of", "Deep mud of"))
    with shop.open(folders["upper"]) as again:
        assert gather.gather(TAG, again, NOW).fingerprint() != before


def test_files_and_plans_of_each_go_by_its_own_tables(yards):
    sheet = (
        "tag,species,green,finished,length,use,arrived\n"
        "FER-09,Ferry Oak,200x200 mm,150x150 mm,3 m,Bitts,2026-01-05\n"
    )
    parts = "part,finished,length,use,wood\nPost,150x150 mm,2 m,bitts,ferry oak\nPile,1,2 m,mud,\n"
    for name, yard in yards.items():
        (row,) = import_timbers.of_file(sheet.encode(), name="t.csv").look(yard, NOW).rows
        assert (row.reason, row.timber.species, row.timber.use_class) == ("", "ferry oak", "bitts")
        operations.add_timber(yard, row.timber, now_utc=NOW)
        (lying,) = sawing.yard(yard, 0.9)
        assert (lying.species, lying.wood.basic_density_kg_m3) == ("ferry oak", DENSITY[name])
        wanted = buying_parts.read_csv(parts, woods=yard.woods).parts
        assert [(each.species, each.use_class) for each in wanted] == [("ferry oak", "bitts")]
        made = buy.buy(wanted, [], Wish(), now_utc=NOW, compare=False, woods=yard.woods)
        (short,) = made.shortfalls
        volume_m3 = short.size.green.width_mm * short.size.green.depth_mm * short.size.green_length_mm / 1e9
        assert short.size.mass_kg / volume_m3 == pytest.approx(DENSITY[name] * 1.64, rel=0.1)
    assert buying_parts.read_csv(parts).parts == ()  # the built-in tables know neither
