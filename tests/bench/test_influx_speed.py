"""InfluxDB's double beside SQLite and PostgreSQL in one run: requests and memory, not a server's speed.

What is the adapter's own is measured: lines in a second beside the client's slow object, what a batch with
one old clock holds, how many requests the newest, the daily means and thinning take.
"""

from __future__ import annotations

import sys
import time
import tracemalloc
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent.parent / "ingest"))
import influx_real

from baulk.ingest import config, shop
from baulk.ingest.config import TOKEN
from baulk.ingest.store import influx_lines, open_store
from baulk.models.quantity import Owner
from baulk.models.reading import Reading, Series

START = datetime.now(UTC).replace(microsecond=0, minute=0) - timedelta(days=60)
WHERE = [
    Series.parse(f"timber/FER-{k:03d}/{rest}")
    for k in range(50)
    for rest in ("pin-25/moisture", "pin-80/moisture", "wood-temp", "pin-25/resistance")
]
HOURS = 240


def batch(at):
    return [Reading(series=one, value=20, taken_utc=at, arrived_utc=at) for one in WHERE]


def figures(folder, requests):
    """Give seconds of each question, requests, and what a late clock makes a batch hold. [s], [MB]"""
    found = {}
    with closing(open_store(config.load(folder))) as store:
        many = [one for k in range(HOURS) for one in batch(START + k * timedelta(minutes=20))]
        began = time.process_time()
        for start in range(0, len(many), 4000):
            assert store.append(many[start : start + 4000]) == 4000
        found["write"] = (time.process_time() - began, 0)
        late = [
            *batch(START + timedelta(days=9)),
            replace(many[0], taken_utc=datetime(2001, 1, 1, tzinfo=UTC)),
        ]
        for what, ask in (
            ("one clock at 2001", lambda: store.append(late)),
            ("newest of all", lambda: store.latest(Owner.TIMBER)),
            ("daily means", store.daily_means),
            ("thin, preview", lambda: store.thin(datetime.now(UTC), keep_days=30, preview=True)),
            ("thin", lambda: store.thin(datetime.now(UTC), keep_days=30)),
            ("thin, again", lambda: store.thin(datetime.now(UTC), keep_days=30)),
        ):
            before, began = requests(), time.process_time()
            ask()
            found[what] = (time.process_time() - began, requests() - before)
    return found


@pytest.mark.bench
@pytest.mark.timeout(900)
def test_questions_of_the_double_beside_the_other_stores(tmp_path, request, monkeypatch):
    with influx_real.started("baulk", "baulk-kept") as server:
        monkeypatch.setenv(TOKEN, server.token)
        rows = {}
        for kind, more in (
            ("sqlite", ""),
            ("postgres", f'\nurl = "{request.getfixturevalue("postgres_url")}"'),
            ("influx", f'\nurl = "{server.url}"\norg = "{server.org}"'),
        ):
            folder = shop.init(tmp_path / kind, name="Ferry yard")
            path = folder / "baulk.toml"
            path.write_text(path.read_text().replace('kind = "sqlite"', f'kind = "{kind}"{more}'))
            rows[kind] = figures(folder, lambda: len(server.paths()))
    print(f"\n{HOURS * len(WHERE):,} readings, {len(WHERE)} series; ms of processor (requests)")
    for what in rows["sqlite"]:
        print(
            f"{what:20}"
            + "".join(f"{kind} {row[what][0] * 1e3:9.1f} ({row[what][1]})  " for kind, row in rows.items())
        )
    asked = {what: requests for what, (_, requests) in rows["influx"].items()}
    assert asked["newest of all"] == 1
    assert asked["daily means"] == 2
    assert asked["one clock at 2001"] <= 3
    assert asked["thin, again"] <= 2


@pytest.mark.bench
def test_lines_are_made_three_times_as_fast_as_by_the_clients_object():
    from influxdb_client.client.write.point import Point  # noqa: PLC0415
    from influxdb_client.domain.write_precision import WritePrecision  # noqa: PLC0415

    many = batch(START) * 50

    def slow(one):
        fields = {"value": float(one.value), "arrived": 1, "source": one.source, "flags": ",".join(one.flags)}
        return Point.from_dict(
            {"measurement": "reading", "tags": {**influx_lines.tags(one.series), "kept": "as-taken"},
             "fields": fields, "time": 1},
            write_precision=WritePrecision.US,
        ).to_line_protocol()  # fmt: skip

    took = []
    for work in (slow, lambda one: influx_lines.line(one, "as-taken")):
        began = time.process_time()
        for one in many:
            work(one)
        took.append(time.process_time() - began)
    print(f"\n{len(many) / took[0]:,.0f} lines/s by the client's object, {len(many) / took[1]:,.0f} here")
    assert took[0] > 3 * took[1]


@pytest.mark.bench
def test_a_batch_with_one_old_clock_holds_little_however_much_there_is(tmp_path, monkeypatch):
    with influx_real.started("baulk", "baulk-kept") as server:
        monkeypatch.setenv(TOKEN, server.token)
        folder = shop.init(tmp_path / "yard", name="Ferry yard")
        path = folder / "baulk.toml"
        store = f'kind = "influx"\nurl = "{server.url}"\norg = "{server.org}"'
        path.write_text(path.read_text().replace('kind = "sqlite"', store))
        with closing(open_store(config.load(folder))) as opened:
            for k in range(HOURS):
                opened.append(batch(START + k * timedelta(minutes=20)))
            late = [
                *batch(START + timedelta(days=9)),
                replace(batch(START)[0], taken_utc=datetime(2001, 1, 1, tzinfo=UTC)),
            ]
            tracemalloc.start()
            assert opened.append(late) == len(WHERE) + 1
            peak = tracemalloc.get_traced_memory()[1]
            tracemalloc.stop()
    print(f"\n{peak / 1e6:.1f} MB at most for a batch of {len(late)}, double and all")
    assert peak < 50e6
