"""A whole shop between its file, PostgreSQL and InfluxDB: every table's rows, exports to the byte, a kill.

Rows are read by the databases' own drivers here, not by what carried them.
"""

from __future__ import annotations

import io
import json
import os
import re
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
import influx_real

from baulk.dashboard.commands import store as store_command
from baulk.ingest import config, corrections, operations, shop
from baulk.ingest.config import STORE_PASSWORD, TOKEN
from baulk.ingest.errors import ExchangeError, StoreLocked
from baulk.ingest.exchange import backup, export, moving, moving_end, restore, table_file
from baulk.ingest.exchange.export import Asked
from baulk.ingest.store import influx_check
from baulk.ingest.store.influx_counts import Difference
from baulk.ingest.store.raw_parts import Taken
from baulk.models.errors import OutOfRange
from baulk.models.plan.buying.parts import Part
from baulk.models.quantity import Owner
from baulk.models.reading import Reading, Series
from baulk.models.timber import Event, EventKind, Place

from .conftest import NOW, raw, timber

HOUR = timedelta(hours=1)
SERIES = ("FER-01/pin-45/b/moisture", "FER-01/pin-45/moisture", "FER-01/weight", "fer-0/wood-temp")
SHED = Reading(series=Series.parse("air/shed/temp"), value=9, taken_utc=NOW, arrived_utc=NOW, source="hand")
NOT_OURS = {"form", "alembic_version"}  # of the program, in each database its own
KILLED = """
import sys
from baulk.ingest import config
from baulk.ingest.exchange import moving
from baulk.ingest.store import whole_tables
whole_tables._AT_ONCE = 100
whole_tables._FEW = 3
loaded = config.load(sys.argv[1])
replace, pages = whole_tables.Tables.replace, 0
def stop_half_way(*given):
    global pages
    replace(*given)
    pages += 1
    if pages == 9:
        print("half way", flush=True)
        sys.stdin.readline()
whole_tables.Tables.replace = stop_half_way
moving.move(loaded, moving.settings_for(loaded, sys.argv[2], url=sys.argv[3] or None))
"""


def fill(opened):
    """Have something in every table, of what the two databases keep in unlike ways."""
    for tag in ("FER-01", "fer-0", "OAK.1"):
        opened.register.add(timber(tag, green_mc_pct=None if tag == "fer-0" else 78.5))
    opened.register.save_place(Place(name="loft", kind="room", volume_m3=99, note="dry; warm"))
    opened.register.save_part(
        Part(name="post", width_mm=150, depth_mm=150, length_mm=2400, sweep_mm=0, use_class="frame-outdoors")
    )
    for k, detail in enumerate(({"up": "b"}, {"up": "c"})):
        one = Event(tag="FER-01", kind=EventKind.TURNED, at_utc=NOW - k * HOUR, noted_utc=NOW, detail=detail)
        entered, _ = operations.add_event(opened, one, sure=True, new_place=True)
    operations.undo(opened, entered.number, by="Bo", now_utc=NOW)
    operations.edit_timber(opened, "FER-01", now_utc=NOW, length_mm=2700.5, sure=True)
    many = [
        Reading(
            series=Series.parse(f"timber/{rest}"), value=20 + k / 3,
            taken_utc=NOW - (200 - k) * HOUR, arrived_utc=NOW,
            source="hand" if k % 7 == 0 else "mqtt", flags=("jump", "end-305") if k % 3 == 0 else (),
        )
        for rest in SERIES for k in range(150)
    ]  # fmt: skip
    opened.store.save(many, taken=Taken(client="one", raws=[raw(b"\0\xff{", "t/é")], now_utc=NOW))
    corrections.put_right(opened, many[8], value=33.25, by="Ann", note="misread", now_utc=NOW, sure=True)
    for k in range(9):
        opened.store.quarantine(raw(b"\0x" * k, f"t/{k}"), "no sense ; '%s' :name")
        opened.store.note(f"walk/{k}", bytes([k, 0, 255]))
    opened.store.release(9)  # its number is never given again
    opened.store.save_evaluation("FER-01", NOW, b'{"a": 1}', revision=3, fingerprint="f")
    opened.store.save_evaluation("fer-0", NOW, b"{}")


@pytest.fixture
def full(tmp_path):
    folder = shop.init(tmp_path / "yard", name="Ferry yard")
    with shop.open(folder) as opened:
        fill(opened)
    return folder


@pytest.fixture
def server(monkeypatch):
    with influx_real.started("baulk", "baulk-kept") as started:
        monkeypatch.setenv(TOKEN, started.token)
        yield started


def rows(folder):
    """Give every table's rows as the driver gives them, JSON parsed and keys sorted."""
    part = config.load(folder).store
    found = {}
    if part.postgres_url:
        import psycopg  # noqa: PLC0415 - with the server only

        with psycopg.connect(part.postgres_url, password=os.environ[STORE_PASSWORD]) as base:
            tables = base.execute("SELECT tablename FROM pg_tables WHERE schemaname = 'public'").fetchall()
            for (name,) in tables:
                asked = base.execute(f'SELECT * FROM "{name}"')  # noqa: S608 - ours
                found[name] = [column.name for column in asked.description], asked.fetchall()
    else:
        with closing(sqlite3.connect(config.load(folder).store_path)) as base:
            tables = base.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall()
            for (name,) in tables:
                asked = base.execute(f'SELECT * FROM "{name}"')  # noqa: S608 - ours
                found[name] = [column[0] for column in asked.description], asked.fetchall()
    return {
        name: sorted(
            str(sorted((column, _plain(column, value)) for column, value in zip(columns, row, strict=True)))
            for row in some
        )
        for name, (columns, some) in found.items()
        if name not in NOT_OURS and not name.startswith("sqlite_")
    }


def _plain(column, value):
    if column in {"detail", "sets", "was", "content"} and isinstance(value, str):
        value = json.loads(value)
    return int(value) if isinstance(value, bool) else bytes(value) if isinstance(value, memoryview) else value


def exports(folder):
    found = {}
    with shop.open(folder) as opened:
        for name, table in export.TABLES.items():
            text = io.StringIO()
            table_file.write_csv(table(opened, Asked()), text)
            found[name] = text.getvalue().encode()
    return found


def go(folder, kind, **where):
    loaded = config.load(folder)
    return moving.move(loaded, moving.settings_for(loaded, kind, **where))


def apart(tables):
    """Leave out what only an InfluxDB server's books count, and readings that lie there."""
    notes = [each for each in tables["note"] if "'held/" not in each and "'moved'" not in each]
    return {**tables, "note": notes, "reading": [], "counter": []}


def test_a_shop_goes_from_its_file_to_postgres_and_back_row_by_row(full, postgres_url):
    before, told = rows(full), exports(full)
    assert all(before.values()), before.keys()
    done = go(full, "postgres", url=postgres_url)
    assert config.load(full).store.postgres_url == postgres_url
    assert (done.readings, done.rows["event"]) == (600, len(before["event"]))
    assert rows(full) == before
    assert exports(full) == told
    with shop.open(full) as opened:  # and it lives on there
        opened.register.add(timber("NEW-1"))
        opened.store.quarantine(raw(b"later"), "later")
        assert opened.store.quarantined(1)[0].number == 10
        opened.store.append(
            [Reading(series=Series.parse("air/shed/temp"), value=9, taken_utc=NOW, arrived_utc=NOW)]
        )
    before, told = rows(full), exports(full)
    assert go(full, "sqlite").readings == 601
    assert config.load(full).store.kind == "sqlite"
    assert rows(full) == before
    assert exports(full) == told
    (former,) = (full / "before-move").iterdir()  # what lay in the file stays
    with closing(sqlite3.connect(former)) as base:
        assert base.execute("SELECT count(*) FROM reading").fetchone() == (600,)
    with shop.open(full) as opened:
        opened.store.release(10)
        opened.store.quarantine(raw(b"last"), "last")
        assert opened.store.quarantined(1)[0].number == 11


@pytest.mark.parametrize("to", ["postgres", "sqlite"])
def test_a_move_of_everything_that_was_killed_half_way_goes_on(full, postgres_url, to):
    url = postgres_url if to == "postgres" else ""
    if to == "sqlite":
        go(full, "postgres", url=postgres_url)
    now, before, told = config.load(full).store, rows(full), exports(full)
    words = [sys.executable, "-c", KILLED, str(full), to, url]
    with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout.readline() == "half way\n"
        os.kill(process.pid, signal.SIGKILL)
    assert config.load(full).store == now
    assert exports(full) == told  # the shop works where it was
    with shop.open(full) as opened:
        opened.store.note("walk/meanwhile", b"1")
    before = rows(full)
    done = go(full, to, url=url or None)
    assert 0 < done.carried < sum(map(len, before.values())) - 8  # what had come did not come twice
    after = rows(full)
    mark = {each for each in before["note"] if "'moving'" in each}
    assert {**before, "note": sorted(set(before["note"]) - mark)} == after
    assert exports(full) == told


def test_what_somebody_enters_while_the_shop_moves_goes_with_it(full, postgres_url):
    loaded, told = config.load(full), []

    def enter(what, count, unit):
        if not told:
            with shop.open(full) as opened:
                opened.store.append([SHED])
                opened.register.add(timber("NEW-1"))
        told.append((what, count, unit))

    done = moving.move(loaded, moving.settings_for(loaded, "postgres", url=postgres_url), enter)
    assert done.readings == 601
    with shop.open(full) as opened:
        assert opened.register.has("NEW-1")
        assert opened.store.readings(Owner.AIR, "shed") == [SHED]


def test_what_comes_at_the_last_moment_goes_too_and_later_ones_wait(full, postgres_url, monkeypatch):
    close = moving_end.End.close

    def closes(end):
        with shop.open(full) as opened:
            opened.store.append([SHED])
            opened.store.note("walk/last", b"1")
            close(end)
            with pytest.raises(StoreLocked, match="the shop is being moved to PostgreSQL"):
                opened.store.note("walk/later", b"1")

    monkeypatch.setattr(moving_end.End, "close", closes)
    go(full, "postgres", url=postgres_url)
    with shop.open(full) as opened:
        assert opened.store.readings(Owner.AIR, "shed") == [SHED]
        assert opened.store.noted("walk/last") == b"1"


def test_readings_on_a_server_and_books_in_either_place_go_anywhere(full, server, postgres_url):
    before, told = rows(full), exports(full)
    where = {"url": server.url, "org": server.org}
    go(full, "influx", books=postgres_url, kept_bucket="baulk-kept", **where)
    assert config.load(full).store.books_url == postgres_url
    assert (apart(rows(full)), exports(full)) == (apart(before), told)
    assert influx_check.look(config.load(full)).difference == Difference()
    go(full, "influx", books="file")  # the books alone
    assert config.load(full).store.postgres_url is None
    assert (apart(rows(full)), exports(full)) == (apart(before), told)
    with pytest.raises(ExchangeError, match=r"database .* is not empty .*; nothing is written over"):
        go(full, "postgres", url=postgres_url)
    assert config.load(full).store.kind == "influx"


def test_a_server_to_postgres_and_a_backup_of_it_back_in_one_file(
    full, server, postgres_url, postgres_server, tmp_path
):
    told = exports(full)
    go(full, "influx", url=server.url, org=server.org)
    with shop.open(full) as opened:
        opened.store.thin(NOW + 60 * 24 * HOUR, keep_days=30, to="daily")
        opened.store.keep_waiting(
            Reading(
                series=Series.parse("air/shed/temp"), value=9, taken_utc=NOW, arrived_utc=NOW, source="hand"
            )
        )
    go(full, "postgres", url=postgres_url)
    with shop.open(full) as opened:
        assert [each.value for each in opened.store.readings(Owner.AIR, "shed")] == [9]  # which waited
        left = opened.store.readings(Owner.TIMBER, "FER-01")
    assert 0 < len(left) < 450
    before, told = rows(full), exports(full)
    made = backup.make(config.load(full), tmp_path / "all.zip", NOW, with_readings=True)
    postgres_server.stop()
    try:
        again = restore.restore(made.file, tmp_path / "again").folder
        assert config.load(again).store.kind == "sqlite"
        assert (rows(again), exports(again)) == (before, told)
    finally:
        postgres_server.start()


def test_what_lies_in_the_file_of_an_earlier_time_gives_way_to_what_the_server_has(full, server):
    go(full, "influx", url=server.url, org=server.org)
    with shop.open(full) as opened:
        old = opened.store.readings(Owner.TIMBER, "fer-0")
        opened.store.reattribute(
            old[:50], [replace(one, series=Series.parse("timber/OAK.1/wood-temp")) for one in old[:50]]
        )
        opened.store.thin(NOW + 60 * 24 * HOUR, keep_days=30, to="daily")
    told = exports(full)
    go(full, "sqlite")
    assert exports(full) == told


def test_a_server_that_sorts_by_its_own_language_exports_to_the_byte(full, postgres_server, postgres_url):
    with postgres_server.connect() as base:
        base.execute(
            "CREATE DATABASE worded OWNER baulk TEMPLATE template0 LOCALE_PROVIDER icu ICU_LOCALE 'en-US'"
        )
    told, before = exports(full), rows(full)
    go(full, "postgres", url=re.sub(r"\w+$", "worded", postgres_url))
    assert rows(full) == before
    assert exports(full) == told


def test_the_command_tells_what_went_and_what_can_not_be_meant_is_refused(full, postgres_url, capsys):
    for kind, where, says in (
        ("sqlite", {}, "another store than now"),
        ("postgres", {"url": postgres_url, "books": "file"}, "goes with --to influx"),
    ):
        with pytest.raises(OutOfRange, match=says):
            moving.settings_for(config.load(full), kind, **where)
    store_command.move(store_command.Kind.POSTGRES, url=postgres_url, shop=full)
    said = capsys.readouterr().out
    assert "event: " in said
    assert "Rows in both databases, each compared: 1 counter, 2 evaluation, " in said
    assert "in both stores, each compared: 600 readings under 2 names" in said
    assert "baulk.toml names postgres now" in said
    with pytest.raises(OutOfRange, match="another store than now"):
        moving.settings_for(config.load(full), "postgres")
