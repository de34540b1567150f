"""A yard with years of hourly readings, filled in bulk and, where asked, kept for the next run.

``BAULK_BENCH_KEEP=FOLDER`` keeps the filled yards there, one folder for each size; what is there already is
used, and one whose filling was broken off is filled further. ``python tests/bench/filled_yard.py`` fills one
of the sizes that ``BAULK_BENCH_SIZES`` names beforehand, without measuring anything.

Readings go in by the store's own insert, a year of a series at a time. So they lie in stretches of a year,
where those of a shop lie in pages scattered over the file: a disk that has to seek would tell of that.
200,000 readings of 50 series took 43.7 bytes each when appended hour by hour; 42.6 to 44.4 this way.
"""

from __future__ import annotations

import os
import sys
import time
from datetime import UTC, datetime, timedelta
from itertools import repeat
from pathlib import Path

import numpy as np

from baulk.ingest import shop
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import Reading, Series
from baulk.models.section import Face, Finished, Section
from baulk.models.timber import Timber

NOW = datetime(2026, 6, 1, 12, tzinfo=UTC)
SIZES = [int(each) for each in os.environ.get("BAULK_BENCH_SIZES", "20,80").split(",")]
YEARS = float(os.environ.get("BAULK_BENCH_YEARS", "10"))
DEPTHS_MM = (45, 25, 70)[: int(os.environ.get("BAULK_BENCH_SERIES", "1"))]
KEEP = os.environ.get("BAULK_BENCH_KEEP", "")
HOURS = round(YEARS * 8766)
CAME = NOW - timedelta(hours=HOURS)
TOGETHER_H = 8766  # hours of a series that are written one after the other
HOUR_US = 3_600_000_000
_PAGES = ("page_count", "freelist_count", "page_size")
CACHE_KB = 300_000


def values_of(number, quantity):
    """Give the hourly values of a series in tenths, the same in every run."""
    rng = np.random.default_rng([22, number])
    hours = np.arange(HOURS)
    season = np.cos((hours / 8766 - 0.55) * 2 * np.pi)
    if quantity is Quantity.TEMP:
        values = 10 - 9 * -season + rng.normal(0, 2, HOURS)
    elif quantity is Quantity.HUMIDITY:
        values = np.clip(74 - 8 * season + rng.normal(0, 5, HOURS), 20, 98)
    else:
        values = (
            15 - 1.5 * season + 55 * np.exp(-hours / rng.uniform(6000, 14000)) + rng.normal(0, 0.4, HOURS)
        )
    return np.rint(values * 10).astype(np.int16)


def timber(number):
    side = (150.0, 178.0, 203.0)[number % 3]
    return Timber(
        tag=f"FER-{number + 1:04d}",
        species="white oak",
        section=Section(width_mm=side, depth_mm=side),
        length_mm=2700,
        finished=Finished(width_mm=0.75 * side, depth_mm=0.75 * side),
        use_class="frame-under-cover",
        place="shed",
        arrived_utc=CAME,
    )


def every_series(timbers):
    many = [
        Series(owner=Owner.AIR, name="shed", quantity=each) for each in (Quantity.TEMP, Quantity.HUMIDITY)
    ]
    for number in range(timbers):
        pins = {"owner": Owner.TIMBER, "name": timber(number).tag, "quantity": Quantity.MOISTURE}
        many += [Series(**pins, face=Face.B, depth_mm=depth) for depth in DEPTHS_MM]
    return many


def _at(yard, many, values, hour):
    at = CAME + timedelta(hours=hour)
    yard.store.append(
        Reading(series=each, value=float(value[hour] / 10), taken_utc=at, arrived_utc=at)
        for each, value in zip(many, values, strict=True)
    )


def _us(hour):
    return round(CAME.timestamp() * 1e6) + hour * HOUR_US


def _last_us(base, series=1):
    ((found,),) = base.ask("SELECT max(taken_us) FROM reading WHERE series = :series", {"series": series})
    return found


def fill(folder, timbers, *, told=lambda _hour: None):
    """Fill a yard, or fill further what was broken off; give the count of its readings and its bytes."""
    if not folder.exists():
        shop.init(folder, name="Ferry yard", units="metric")
    many = every_series(timbers)
    with shop.open(folder) as yard:
        base, path = yard.store.database, yard.config.store_path
        if _last_us(base) == _us(HOURS - 1):
            return HOURS * len(many), path.stat().st_size
        known = {each.tag for each in yard.register.list()}
        for number in range(timbers):
            if (one := timber(number)).tag not in known:
                yard.register.add(one)
        values = [values_of(number, each.quantity) for number, each in enumerate(many)]
        _at(yard, many, values, 0)
        base.ask("PRAGMA synchronous = OFF")
        base.ask(f"PRAGMA cache_size = -{CACHE_KB}")
        numbers = dict(base.ask("SELECT text, id FROM series"))
        for until in [*range(TOGETHER_H, HOURS - 1, TOGETHER_H), HOURS - 1]:
            for each, value in zip(many, values, strict=True):
                number = numbers[str(each)]
                begin = (_last_us(base, number) - _us(0)) // HOUR_US + 1  # as far as the last run came
                times = range(_us(begin), _us(until), HOUR_US)
                some = (value[begin:until] / 10).tolist()
                rows = list(zip(repeat(number), times, some, times, repeat("mqtt"), repeat("")))
                with base.write(counted=False) as (at, _):
                    base.insert(at, rows, careful=False)
            told(until)
        _at(yard, many, values, HOURS - 1)  # through the store, so that the books know how far it goes
        base.ask("PRAGMA wal_checkpoint(TRUNCATE)")
    return HOURS * len(many), path.stat().st_size


def fresh(folder):
    """Take out of a kept yard all that was ever worked out of it."""
    with shop.open(folder) as yard, yard.store.database.write() as (at, _):
        for table in ("evaluation", "past_evaluation", "note"):
            at.run(f"DELETE FROM {table}")  # noqa: S608 - named above


def bytes_of(yard):
    """Give the bytes of a shop's database that hold something."""
    sizes = [yard.store.database.ask(f"PRAGMA {each}")[0][0] for each in _PAGES]
    return (sizes[0] - sizes[1]) * sizes[2]


def folder_of(timbers, otherwise):
    """Give where the yard of a size lies: among those that are kept, else where the run keeps its own."""
    name = f"{timbers}-timbers-{YEARS:g}-years-{len(DEPTHS_MM)}-series"
    return Path(KEEP) / name if KEEP else otherwise / name


def main():
    for timbers in SIZES:
        began = time.perf_counter()

        def told(hour, began=began):
            print(f"{hour / HOURS:.3f} after {time.perf_counter() - began:.0f} s", flush=True)

        folder = folder_of(timbers, Path.cwd())
        folder.parent.mkdir(parents=True, exist_ok=True)
        held, size = fill(folder, timbers, told=told)
        print(f"{folder}: {held} readings, {size} bytes; {time.process_time():.0f} s of processor")


if __name__ == "__main__":
    sys.exit(main())
