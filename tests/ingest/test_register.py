"""The register: a timber comes back as it was entered, and a tag means one piece."""

from __future__ import annotations

import importlib
import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import sqlalchemy as sa
from alembic.migration import MigrationContext
from alembic.operations import Operations

from baulk.ingest import config as settings
from baulk.ingest import migrations, operations, shop
from baulk.ingest.errors import RegisterError, StoreLocked
from baulk.ingest.register.engine import backing, engine_for, on_sqlite
from baulk.ingest.register.register import Register
from baulk.ingest.register.tables import META
from baulk.models.errors import NotFound, OutOfRange
from baulk.models.section import Finished, Section
from baulk.models.timber import Timber

NOW = datetime(2026, 5, 14, 9, 30, tzinfo=UTC)


def test_a_timber_comes_back_as_it_was_entered(yard):
    (oak,) = yard.register.list()
    assert oak == yard.register.get("FER-01") == yard.register.get(" fer-01 ")
    assert oak.section.pith_x_mm == 12.0
    assert oak.arrived_utc.tzinfo is not None


def test_it_is_still_there_when_the_shop_is_opened_again(yard):
    oak = yard.register.get("FER-01")
    with shop.open(yard.config.shop_dir) as again:
        assert again.register.list() == [oak]


def test_a_tag_means_one_piece(yard):
    with pytest.raises(RegisterError, match="FER-01 is in use already; the next free one is FER-02"):
        yard.register.add(replace(yard.register.get("FER-01"), tag="fer-01"))


def test_a_tag_that_is_not_there_names_the_nearest(yard):
    with pytest.raises(NotFound, match="no timber called 'FER-9'"):
        yard.register.get("FER-9")


@pytest.mark.parametrize("change", [{"tag": "FER/02"}, {"tag": ""}, {"place": "a b"}])
def test_a_name_that_could_not_stand_in_a_topic_is_refused(yard, change):
    with pytest.raises(OutOfRange, match="a tag or place"):
        yard.register.add(replace(yard.register.get("FER-01"), **{"tag": "FER-02", **change}))


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"species": "white oke"}, "no species called 'white oke'; did you mean"),
        ({"use_class": "mast"}, "called 'mast'"),
    ],
)
def test_a_species_or_use_class_that_nobody_knows_is_refused(yard, change, words):
    with pytest.raises(NotFound, match=words):
        operations.add_timber(yard, replace(yard.register.get("FER-01"), tag="FER-02", **change))
    assert len(yard.register.list()) == 1


def test_a_finished_size_in_another_unit_than_the_green_one_is_noticed(yard):
    tiny = replace(yard.register.get("FER-01"), tag="FER-02", finished=Finished(width_mm=6, depth_mm=6))
    with pytest.raises(OutOfRange, match="6 x 6 mm is under a tenth of the green 203 x 178 mm"):
        operations.add_timber(yard, tiny)
    assert [each.tag for each in yard.register.list()] == ["FER-01"]


def test_a_timber_without_a_species_is_refused(yard):
    with pytest.raises(RegisterError, match="needs a species"):
        yard.register.add(replace(yard.register.get("FER-01"), tag="FER-02", species=" "))


def test_an_edit_changes_the_entry(yard):
    changed = replace(yard.register.get("FER-01"), place="loft", green_mc_pct=None)
    yard.register.edit("fer-01", place="loft", green_mc_pct=None, now_utc=NOW)
    assert yard.register.list() == [changed]
    with pytest.raises(NotFound, match="FER-07"):
        yard.register.edit("FER-07", place="loft", now_utc=NOW)


@pytest.mark.parametrize(
    ("tags", "proposed"),
    [([], "T-01"), (["KEEL"], "KEEL-01"), (["A9"], "A10"), (["B-03", "B-02"], "B-04"), (["X-099"], "X-100")],
)
def test_the_next_tag_counts_on_from_the_last(yard_dir, yard, tags, proposed):
    oak = yard.register.get("FER-01")
    with yard.register._write() as (base, _):
        base.execute(sa.text("DELETE FROM timber"))
    for tag in tags:
        yard.register.add(replace(oak, tag=tag))
    assert yard.register.next_tag() == proposed


def test_a_locked_register_says_so(yard):
    register = Register(on_sqlite(yard.config.store_path, wait_s=0.05))
    with closing(sqlite3.connect(yard.config.store_path)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(StoreLocked, match="locked by another program"):
            register.add(replace(yard.register.get("FER-01"), tag="FER-02"))
        other.rollback()
    register.close()


def test_the_migrations_make_the_tables_that_the_register_uses(yard):
    engine = engine_for(yard.config.store_path)
    assert migrations.current(engine) == migrations.HEAD
    inspector = sa.inspect(engine)
    for name, table in META.tables.items():
        found = {column["name"] for column in inspector.get_columns(name)}
        assert found == {column.name for column in table.columns}
    engine.dispose()


_TIMBER_OF_0001 = """
INSERT INTO timber VALUES ('FER-01', 'white oak', 203.2, 177.8, 12.0, -4.0, 2743.2, 152.4, 152.4, 0.0, 3.0,
'frame-outdoors', 'shed', '2026-04-14T09:30:00+00:00', 1, 78.5, 1, 1),
('KEEL', 'larch', 150, 150, 0, 0, 6000, 120, 120, 0, 0, 'frame-outdoors', 'yard',
'2026-03-01T00:00:00+00:00', 0, NULL, 2, 2)
"""


@pytest.mark.parametrize("kind", ["sqlite", "postgres"])
def test_a_register_of_the_first_form_is_brought_up_and_keeps_everything(kind, yard_dir, request):
    if kind == "postgres":
        url, path = request.getfixturevalue("postgres_url"), yard_dir / "baulk.toml"
        path.write_text(path.read_text().replace('kind = "sqlite"', f'kind = "postgres"\nurl = "{url}"'))
    engine = backing(settings.load(yard_dir)).engine.execution_options(begin="BEGIN IMMEDIATE")
    migrations.upgrade(engine, "0001")
    true, false = ("true", "false") if kind == "postgres" else ("1", "0")
    rows = _TIMBER_OF_0001.replace("1, 78.5", f"{true}, 78.5").replace("0, NULL", f"{false}, NULL")
    with engine.begin() as base:
        base.execute(sa.text(rows))
    assert migrations.current(engine) == "0001"
    engine.dispose()
    with shop.open(yard_dir) as opened:
        oak, keel = opened.register.list()
        assert oak == Timber(
            tag="FER-01",
            species="white oak",
            section=Section(width_mm=203.2, depth_mm=177.8, pith_x_mm=12.0, pith_y_mm=-4.0),
            length_mm=2743.2,
            finished=Finished(width_mm=152.4, depth_mm=152.4, centre_y_mm=3.0),
            use_class="frame-outdoors",
            place="shed",
            arrived_utc=NOW - timedelta(days=30),
            ends_sealed=True,
            green_mc_pct=78.5,
        )
        assert (keel.tag, keel.length_mm, keel.green_mc_pct, keel.retired_utc) == ("KEEL", 6000, None, None)
        told = [
            (e.number, e.tag, e.kind.value, e.at_utc, e.detail["place"]) for e in opened.register.events()
        ]
        assert told == [
            (2, "KEEL", "arrived", datetime(2026, 3, 1, tzinfo=UTC), "yard"),
            (1, "FER-01", "arrived", oak.arrived_utc, "shed"),
        ]
        moved = opened.register.move("KEEL", "shed", now_utc=NOW)
        assert (moved.number, moved.detail["from"]) == (3, "yard")
        assert opened.register.next_tag() == "KEEL-01"


def test_a_register_of_a_newer_form_is_left_alone(yard):
    with yard.register._write() as (base, _):
        base.execute(sa.text("UPDATE alembic_version SET version_num = '9999'"))
    with pytest.raises(RegisterError, match="written by a newer Baulk"):
        shop.open(yard.config.shop_dir)


def test_the_migrations_can_be_taken_back_one_by_one(yard_dir):
    engine = backing(settings.load(yard_dir)).engine.execution_options(begin="BEGIN IMMEDIATE")
    migrations.upgrade(engine)
    versions = Path(migrations.__file__).parent / "versions"
    for file in sorted(versions.glob("v*.py"), reverse=True):
        module = importlib.import_module(f"baulk.ingest.migrations.versions.{file.stem}")
        with engine.begin() as base, Operations.context(MigrationContext.configure(base)):
            module.downgrade()
    assert set(sa.inspect(engine).get_table_names()) & set(META.tables) == set()
    engine.dispose()
