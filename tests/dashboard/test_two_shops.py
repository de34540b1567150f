"""A page server and the command line with two shops in one process, each with a wood and a use of its own."""

from __future__ import annotations

import json
from datetime import UTC, datetime

import pytest
from typer.testing import CliRunner

from baulk.dashboard import commands
from baulk.dashboard.printing import record_data
from baulk.dashboard.queries import arrival, shop_facts, yard_rows
from baulk.dashboard.server import shop_access
from baulk.ingest import shop
from baulk.ingest.planning import sawing
from baulk.models import species, use_class
from baulk.models.errors import NotFound
from baulk.models.section import Section

DENSITY = {"upper": 520, "lower": 690}
GREEN = Section(width_mm=200, depth_mm=200)


@pytest.fixture
def folders(tmp_path):
    found = {}
    for name, density in DENSITY.items():
        folder = found[name] = shop.init(tmp_path / name, name=f"{name} yard", units="metric")
        (folder / species.FILE).write_text(
            "species,quantity,value,unit,source,mark\n"
            "ferry oak,like,white oak,-,our stand,measured\n"
            f"ferry oak,basic_density,{density},kg/m3,our pieces,measured\n"
        )
        (folder / use_class.FILE).write_text(
            f"{','.join(use_class.COLUMNS)}\n"
            f"bitts,Bitts of the {name} yard,14,22,3.5,no,,Holds warps.,ours,common practice\n"
        )
    return found


@pytest.fixture
def stand(monkeypatch, folders):
    """Say before which shop a page is."""
    return lambda name: monkeypatch.setenv("BAULK_SHOP", str(folders[name]))


@pytest.fixture
def run(monkeypatch):
    monkeypatch.setenv("COLUMNS", "160")
    app = commands.build(("timber", "plan"))

    def answer(folder, *words):
        env = {"BAULK_SHOP": str(folder)}
        return CliRunner().invoke(app, list(words), env=env, catch_exceptions=False).stdout

    return answer


def test_the_pages_of_each_ask_its_own_tables_from_the_servers_cache(stand, folders):
    before = shop_access._open_desk.cache_info()
    for _ in range(3):  # there and back again: both stay open
        for name, density in DENSITY.items():
            stand(name)
            kg = arrival.green_weight(GREEN, "3 m", "ferry oak", "metric").usual_kg
            assert kg == pytest.approx(0.2 * 0.2 * 3 * density * 1.64, rel=0.1)
            assert shop_facts.woods().species.get("ferry oak").basic_density_kg_m3 == density
            assert shop_facts.woods().use_classes.get("bitts").title == f"Bitts of the {name} yard"
    after = shop_access._open_desk.cache_info()
    assert after.misses - before.misses == 2  # each was opened once
    with shop.open(folders["lower"]):  # by somebody else in this process, and closed again
        pass
    stand("upper")
    assert shop_facts.woods().species.get("ferry oak").basic_density_kg_m3 == 520


@pytest.mark.parametrize("order", [("upper", "lower"), ("lower", "upper")])
def test_the_forms_offer_what_their_own_shop_knows(stand, order, app):
    for name in (*order, order[0]):
        stand(name)
        app.run()
        app.switch_page("views/arrival.py").run()
        assert app.selectbox(key="arrival_species").options[-1] == "ferry oak"
        assert app.selectbox(key="arrival_use").options[-1] == f"Bitts of the {name} yard"
        assert not app.exception


def test_commands_enter_and_show_a_timber_by_the_tables_of_their_shop(run, folders, stand):
    size = ("--size", "200 x 200 mm", "--finished", "150 x 150 mm", "--length", "3 m")
    for folder in folders.values():
        told = run(folder, "timber", "add", "--species", "Ferry Oak", "--use", "bitts", *size)
        assert "is in the register" in told
    now = datetime.now(UTC)
    for name, folder in folders.items():
        with shop.open(folder) as opened:
            (timber,) = opened.register.list()
            lying = sawing.yard(opened, 0.9)[0]
            record = record_data.record(opened, timber.tag, now)
        assert (record.use.title, lying.wood.basic_density_kg_m3) == (
            f"Bitts of the {name} yard",
            DENSITY[name],
        )
        assert record.species.get(timber.species).basic_density_kg_m3 == DENSITY[name]
        assert f"Bitts of the {name} yard" in run(folder, "timber", "show", timber.tag)
        stand(name)
        assert [row.use for row in yard_rows.rows(now)] == [f"Bitts of the {name} yard"]


def test_a_size_is_planned_by_the_shops_tables_with_a_shop_and_by_the_built_in_ones_without(
    run, folders, tmp_path
):
    asked = ("plan", "size", "--finished", "150x150 mm", "--length", "3 m", "--use", "bitts", "--json")
    heavy = {
        name: json.loads(run(folder, *asked, "--species", "ferry oak"))["mass_kg"]
        for name, folder in folders.items()
    }
    assert heavy["lower"] / heavy["upper"] == pytest.approx(690 / 520, rel=0.02)
    with pytest.raises(NotFound, match="no species called 'ferry oak'"):
        run(tmp_path, *asked, "--species", "ferry oak")
