"""What is asked of all evaluations in short, of 2,000 timbers, beside the same file without the index for it.

Without it the questions go through the answers, of 65 kB each here, for what lies behind them in a row. Both
are asked in turns in one run, least processor time of each.
"""

from __future__ import annotations

import os
import sqlite3
import time
from contextlib import closing
from dataclasses import replace

import pytest

from baulk.ingest import config, shop
from baulk.ingest.store import open_store, sqlite, sqlite_file

TIMBERS, TURNS, BYTES = 2000, 5, 65_000
QUESTIONS = ("stale", "fingerprints", "evaluation_marks", "evaluated")


def least_ms(path):
    """Ask each question of a store that is open anew, the first turn for nothing."""
    with closing(open_store(config.load(path.parent))) as store:
        taken = {name: [] for name in QUESTIONS}
        for _ in range(TURNS):
            for name in QUESTIONS:
                began = time.process_time()
                getattr(store, name)()
                taken[name].append((time.process_time() - began) * 1e3)
    return {name: min(each) for name, each in taken.items()}


@pytest.mark.bench
@pytest.mark.timeout(900)
def test_what_is_asked_of_all_evaluations_goes_past_the_answers(shop_dir, oak, now_utc, monkeypatch, capsys):
    with shop.open(shop_dir) as yard:
        for number in range(TIMBERS):
            tag = f"FER-{number:04d}"
            yard.register.add(replace(oak, tag=tag))
            yard.store.save_evaluation(tag, now_utc, os.urandom(BYTES), fingerprint="f" * 64, past=False)
    path, found = shop_dir / "shop.db", {}
    for turn in range(4):
        with closing(sqlite3.connect(path)) as base:
            base.execute("DROP INDEX IF EXISTS evaluation_in_short")
        with monkeypatch.context() as earlier:
            if turn % 2:
                earlier.setattr(sqlite, "add_index", lambda _: None)
            for name, ms in least_ms(path).items():
                found[name, turn % 2] = min(ms, found.get((name, turn % 2), ms))
    with closing(sqlite3.connect(path)) as base:
        began = time.process_time()
        sqlite_file.add_index(base)
        added_ms = (time.process_time() - began) * 1e3
    with capsys.disabled():
        print(f"\n| {TIMBERS} timbers, ms of the processor | with the index | without | times |")
        print("|---|---|---|---|")
        for name in QUESTIONS:
            new, old = found[name, 0], found[name, 1]
            print(f"| {name} | {new:.2f} | {old:.1f} | {old / new:.0f} |")
        print(f"the index added at opening, once: {added_ms:.0f} ms; load {os.getloadavg()[0]:.1f}")
    assert all(found[name, 1] > 2 * found[name, 0] for name in ("stale", "fingerprints", "evaluation_marks"))
