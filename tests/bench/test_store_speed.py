"""A year of a yard, 200 timbers with 4 hourly series each, in each store beside a plain `sqlite3` script.

The script keeps less (number of the series, seconds, value: no arrival, source, flags, quarantine or
revision) and gives tuples where the store gives readings and tables. Each figure of a store stands beside the
script's in the same run, the second set while another process writes. BAULK_BENCH_READINGS sets the size:
700,000 unless given; 7008000 is the whole year. The double of InfluxDB is left out: its speed says nothing of
the server's.
"""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from datetime import UTC, datetime, timedelta

import pytest

from baulk.ingest import config
from baulk.ingest import shop as shops
from baulk.ingest.store import open_store
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import Reading, Series
from baulk.models.section import Face

SERIES = 800
HOURS = int(os.environ.get("BAULK_BENCH_READINGS", "700000")) // SERIES
START = datetime(2025, 6, 1, tzinfo=UTC)
HOUR = timedelta(hours=1)
MEASURED = min(HOURS, 875)  # hours whose insertion is timed, one a commit; the rest only fills the store
WHERE = [
    Series(owner=Owner.TIMBER, name=f"FER-{tag:03d}", quantity=quantity, depth_mm=depth, face=face)
    for tag in range(200)
    for quantity, depth, face in (
        (Quantity.MOISTURE, 25, Face.B),
        (Quantity.MOISTURE, 80, Face.B),
        (Quantity.WOOD_TEMP, None, None),
        (Quantity.WEIGHT, None, None),
    )
]
PLAIN_TABLE = (
    "CREATE TABLE reading (series INTEGER, t INTEGER, value REAL, PRIMARY KEY (series, t)) WITHOUT ROWID"
)
PLAIN_INSERT = "INSERT OR IGNORE INTO reading VALUES (?, ?, ?)"
PLAIN_WRITER = """
import sqlite3, sys, time
base = sqlite3.connect(sys.argv[1], isolation_level=None, timeout=5)
base.execute("PRAGMA synchronous = NORMAL")
print("ready", flush=True)
for k in range(10**6):
    base.execute("BEGIN IMMEDIATE")
    rows = [(n, 2 * 10**9 + k, 1.5) for n in range(800)]
    base.executemany("INSERT OR IGNORE INTO reading VALUES (?, ?, ?)", rows)
    base.execute("COMMIT")
    time.sleep(0.05)
"""
WRITER = """
import sys, time
from datetime import UTC, datetime, timedelta
from baulk.ingest import config
from baulk.ingest.store import open_store
from baulk.models.quantity import Owner
from baulk.models.reading import Reading, Series
settings = config.load(sys.argv[1])
store = open_store(settings)
where = store.series()
print("ready", flush=True)
for k in range(10**6):
    now = datetime(2035, 1, 1, tzinfo=UTC) + timedelta(seconds=k)
    store.append([Reading(series=each, value=1.5, taken_utc=now, arrived_utc=now) for each in where])
    time.sleep(0.05)
"""


MOST = {
    "sqlite": {"insert, 800 a commit": 4, "size": 4, "latest of every series": 20, "daily means of all": 4},
    "postgres": {"insert, 800 a commit": 10, "latest of every series": 40, "daily means of all": 6},
}


def batches():
    """Give spans of hours: one by one while the rate of inserting is measured, then by the hundred."""
    hour = 0
    while hour < HOURS:
        several = 1 if hour < MEASURED else min(100, HOURS - hour)
        yield range(hour, hour + several)
        hour += several


def rounds():
    """Give the readings of each span."""
    for hours in batches():
        yield [
            Reading(series=one, value=60 - hour / 200 + k % 7, taken_utc=now, arrived_utc=now)
            for hour in hours
            for now in (START + hour * HOUR,)
            for k, one in enumerate(WHERE)
        ]


def best(work, times=3):
    took = []
    for _ in range(times):
        began = time.perf_counter()
        work()
        took.append(time.perf_counter() - began)
    return min(took)


def asked(latest, year, daily, writer):
    """Time the three questions alone, and again while another process writes."""
    found = {}
    for when, argv in (("", None), (", while written", writer)):
        process = argv and subprocess.Popen(argv, stdout=subprocess.PIPE)
        try:
            if process:
                assert process.stdout.readline() == b"ready\n"
            found[f"latest of every series{when}"] = best(latest)
            found[f"one series, a year{when}"] = best(year, 5)
            found[f"daily means of all{when}"] = best(daily, 1)
            assert process is None or process.poll() is None
        finally:
            if process:
                process.kill()
                process.wait()
                process.stdout.close()
    return found


def plain(path):
    """The script that the stores are held against."""
    with closing(sqlite3.connect(path, isolation_level=None)) as base:
        base.execute("PRAGMA journal_mode = WAL")
        base.execute("PRAGMA synchronous = NORMAL")
        base.execute(PLAIN_TABLE)
        took = 0.0
        for hours in batches():
            rows = [
                (n, int(START.timestamp()) + 3600 * hour, 60 - hour / 200 + n % 7)
                for hour in hours
                for n in range(SERIES)
            ]
            began = time.perf_counter()
            base.execute("BEGIN IMMEDIATE")
            base.executemany(PLAIN_INSERT, rows)
            base.execute("COMMIT")
            took += (time.perf_counter() - began) * (len(hours) == 1)
        base.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        newest = "SELECT t, value FROM reading WHERE series = ? ORDER BY t DESC LIMIT 1"
        end = int((START + HOURS * HOUR).timestamp())
        return {
            "insert, 800 a commit": took,
            "size": path.stat().st_size,
            **asked(
                lambda: [base.execute(newest, (n,)).fetchone() for n in range(SERIES)],
                lambda: base.execute(
                    "SELECT t, value FROM reading WHERE series = 17 AND t < ? ORDER BY t", (end,)
                ).fetchall(),
                lambda: base.execute(
                    "SELECT series, t / 86400, avg(value), count(*) FROM reading GROUP BY 1, 2"
                ).fetchall(),
                [sys.executable, "-c", PLAIN_WRITER, str(path)],
            ),
        }


def ours(folder):
    """The same through a store."""
    with closing(open_store(config.load(folder))) as store:
        took = 0.0
        for readings in rounds():
            began = time.perf_counter()
            assert store.append(readings) == len(readings)
            took += (time.perf_counter() - began) * (len(readings) == SERIES)
        end = START + HOURS * HOUR
        table = store.read(WHERE[17], None, end)
        assert len(table) == HOURS
        return {
            "insert, 800 a commit": took,
            "size": _size(store),
            **asked(
                lambda: store.latest(Owner.TIMBER),
                lambda: store.read(WHERE[17], None, end),
                store.daily_means,
                [sys.executable, "-c", WRITER, str(folder)],
            ),
        }


def _size(store):
    if type(store._sql).__name__ == "PostgresSql":
        return store._sql.ask("SELECT pg_total_relation_size('reading')")[0][0]
    store._sql.ask("PRAGMA wal_checkpoint(TRUNCATE)")
    return store._sql.path.stat().st_size


@pytest.mark.bench
@pytest.mark.timeout(1800)
@pytest.mark.parametrize("kind", sorted(MOST))
def test_a_store_keeps_up_with_a_plain_script(kind, tmp_path, request):
    folder = shops.init(tmp_path / kind, name="Ferry yard")
    path = folder / "baulk.toml"
    more = f'\nurl = "{request.getfixturevalue("postgres_url")}"' if kind == "postgres" else ""
    path.write_text(path.read_text().replace('kind = "sqlite"', f'kind = "{kind}"{more}'))
    script, found, count = plain(tmp_path / "plain.db"), ours(folder), HOURS * SERIES
    print(f"\n{count:,} readings: plain script, {kind}, times the plain script's")
    for what, figure in script.items():
        row = _said(what, figure, count), _said(what, found[what], count)
        print(f"{what:38} {row[0]:>12} {row[1]:>12} {found[what] / figure:8.2f}")
    for what, ratio in MOST[kind].items():
        assert found[what] < ratio * script[what], what


def _said(what, figure, count):
    if what == "size":
        return f"{figure / 1e6:.0f} MB"
    if what.startswith("insert"):
        return f"{MEASURED * SERIES / figure:,.0f}/s"
    return f"{figure * 1e3:.1f} ms"
