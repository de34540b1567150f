"""What `baulk doctor` says of an InfluxDB server."""

from __future__ import annotations

from pathlib import Path

import typer

from baulk.dashboard.commands.answers import counted, say, say_json
from baulk.ingest import config as settings
from baulk.ingest.store import influx_check
from baulk.ingest.store.influx_check import Server
from baulk.ingest.store.influx_counts import Difference

_NAMED = 3  # series that a sentence names
_SPARE_DAYS = 3  # that a night or two may fail, and the server forgets by whole groups of days
_TASK_DAYS = 372  # as far back as deploy/influxdb/downsample.flux looks


def found(folder: Path, *, repair: bool) -> Server | None:
    """Look at the server of a shop; None where there is none."""
    if not (folder / settings.FILE).exists():
        return None
    config = settings.load(folder)
    if config.store.kind != "influx":
        return None
    return influx_check.look(config, repair=repair)


def tell(server: Server, folder: Path, *, json: bool) -> None:
    """Say what was found; nothing more can be said of a shop whose server will not have us."""
    if not json:
        show(server, folder)
    elif server.wrong:
        say_json({"server": server})
    if server.wrong:
        raise typer.Exit(1)


def show(server: Server, folder: Path) -> None:
    """Say what was found, and what is to be done about it."""
    for each in server.wrong:
        say(each)
    if server.wrong:
        return
    config = settings.load(folder).store
    for bucket, count in server.readings.items():
        keeps = server.keeps_days[bucket]
        told = "who knows how long" if keeps is None else f"for {keeps:g} days" if keeps else "for ever"
        say(f"InfluxDB {server.version}, bucket {bucket}: {counted(count, 'reading')}, kept {told}")
    keeps = server.keeps_days[config.bucket]
    if keeps and config.kept_bucket is None:
        say(
            f"bucket {config.bucket} forgets what a person took and every weight after {keeps:g} days; name "
            "a kept_bucket that keeps for ever"
        )
    elif keeps and server.task is None and keeps < (config.thin_after_days or float("inf")) + _SPARE_DAYS:
        after = "never" if config.thin_after_days is None else f"after {config.thin_after_days:g} days"
        say(
            f"bucket {config.bucket} forgets after {keeps:g} days and is thinned {after}: what is forgotten "
            f"before it was thinned is lost; set thin_after_days to {max(1, keeps - _SPARE_DAYS):g} or less"
        )
    elif keeps and server.task is not None and keeps < _TASK_DAYS:
        say(
            f"bucket {config.bucket} forgets after {keeps:g} days, and the task thins what is 365 to "
            f"{_TASK_DAYS} days old: what is forgotten before is lost; let it keep 380 days"
        )
    if config.kept_bucket and server.keeps_days[config.kept_bucket]:
        say(f"bucket {config.kept_bucket} is to keep for ever and does not; set its retention to 0")
    if server.task not in {None, "success"}:
        say(f"the task at the server is not at work: {server.task}; see its log, and deploy/influxdb")
    _show_difference(server.difference)
    if server.unlisted:
        say(f"the books did not list {server.unlisted} of its series; run once with --repair")


def _show_difference(found: Difference) -> None:
    if found.missing:
        hours = f"{counted(len(found.hours), 'hour')}, the first {found.hours[0]:%Y-%m-%d %H:%M} UTC"
        series = f"; of {', '.join(map(str, found.series[:_NAMED]))}" if found.series else ""
        more = f" and {len(found.series) - _NAMED} more" if len(found.series) > _NAMED else ""
        say(
            f"the server lacks {counted(found.missing, 'reading')} that the books count, in "
            f"{hours}{series}{more}; "
            "bring them back from a backup with readings, or run once with --repair if they are to be lost"
        )
    if found.more:
        say(
            f"the server has {counted(found.more, 'reading')} that the books do not count: a program "
            "broke off, is "
            "writing now, or an older version wrote them; run once with --repair"
        )
