"""What is to be known of an InfluxDB 2 server before it loses anything: rights, retention, task, list."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, field
from typing import Final

from baulk.ingest.config import Config
from baulk.ingest.errors import StoreError
from baulk.ingest.store import open_store
from baulk.ingest.store.both import ShopStore
from baulk.ingest.store.influx_client import Influx
from baulk.ingest.store.influx_counts import Difference
from baulk.ingest.store.influx_questions import FIRST_US, LAST_US, points
from baulk.ingest.store.readings_influx import InfluxReadings

TASK: Final = "baulk-hourly"  # as deploy/influxdb/downsample.flux names it
_THINS_S: Final = 20 * 86400.0  # that task may be told to thin sooner than after a year


@dataclass(frozen=True, slots=True, kw_only=True)
class Server:
    """What was found.

    Parameters
    ----------
    version : str
        Of the server; empty where it does not say.
    wrong : tuple of str
        What speaks against using it as it is, each a sentence of the store.
    keeps_days : dict of str to (float or None)
        How long each bucket keeps what it holds; 0 for ever, None where the token may not know. [days]
    readings : dict of str to int
        How many each bucket holds.
    task : str or None
        How the last run of the task of deploy/influxdb ended, or why there was none; None where no such task
        is to be seen.
    unlisted : int
        How many series the books did not list.
    difference : Difference
        In which hours and series the books count other numbers than the server has.
    """

    version: str = ""
    wrong: tuple[str, ...] = ()
    keeps_days: dict[str, float | None] = field(default_factory=dict)
    readings: dict[str, int] = field(default_factory=dict)
    task: str | None = None
    unlisted: int = 0
    difference: Difference = field(default_factory=Difference)


def look(config: Config, *, repair: bool = False) -> Server:
    """Look at the server of a shop; with ``repair`` the books take over what it has."""
    part = config.store
    buckets = tuple(dict.fromkeys((part.bucket, part.kept_bucket or part.bucket)))
    with closing(Influx(part)) as influx:
        try:
            version = str(influx.get("/health").get("version") or "")
        except StoreError as err:
            return Server(wrong=(str(err),))
        if version and not version.lstrip("v").startswith("2."):
            told = f"the store {influx.where} is InfluxDB {version}; it has to be of version 2, for its Flux"
            return Server(version=version, wrong=(told,))
        wrong = [str(err) for err in _refusals(influx, buckets)]
        if wrong:
            return Server(version=version, wrong=tuple(wrong))
        keeps = {bucket: influx.keeps_s(bucket) for bucket in buckets}
        counts = {bucket: _count(influx, bucket) for bucket in buckets}
        task = _task(influx)
    unlisted, difference = _compared(config, _kept_since_us(keeps, task), repair=repair)
    return Server(
        version=version,
        keeps_days={
            bucket: None if keeps_s is None else keeps_s / 86400 for bucket, keeps_s in keeps.items()
        },
        readings=counts,
        task=task,
        unlisted=unlisted,
        difference=difference,
    )


def _refusals(influx: Influx, buckets: tuple[str, ...]) -> Iterator[StoreError]:
    for bucket in buckets:
        try:
            list(influx.ask(points(bucket, LAST_US - 1, LAST_US - 1, 'r._field == "value"'), bucket))
            influx.write(bucket, ["# may we write?"])  # which stores nothing
        except StoreError as err:
            yield err


def _count(influx: Influx, bucket: str) -> int:
    then = "|> count() |> group() |> sum()"
    text = points(bucket, FIRST_US, LAST_US, 'r._field == "value"', then)
    return sum(int(float(count)) for (count, _) in influx.ask_columns(text, bucket, ("_value", "_value")))


def _task(influx: Influx) -> str | None:
    try:
        found = influx.get("/api/v2/tasks", org=influx.org, name=TASK).get("tasks") or []
    except StoreError:  # our token need not know of tasks
        return None
    if found and found[0].get("status") == "inactive":
        return "switched off"
    return str(found[0].get("lastRunStatus") or "no run yet") if found else None


def _kept_since_us(keeps: dict[str, float | None], task: str | None) -> int | None:
    """Give from when on the server itself leaves out nothing; None if that is ever."""
    if task is None and not any(keeps.values()) and None not in keeps.values():
        return None
    days = [each for each in keeps.values() if each]
    return round((time.time() - min([*days, _THINS_S])) * 1e6)


def _compared(config: Config, since_us: int | None, *, repair: bool) -> tuple[int, Difference]:
    with closing(open_store(config)) as store:
        assert isinstance(store, ShopStore)  # noqa: S101 - of this kind
        readings = store.apart_readings
        assert isinstance(readings, InfluxReadings)  # noqa: S101 - as above
        difference = readings.difference(since_us)
        unlisted = len(readings.compare() if repair else readings.unlisted())
        if repair:
            readings.recount()
    return unlisted, difference
