"""What of a shop and its machine is to be seen to, each with its cure: the first part of `baulk doctor`."""

from __future__ import annotations

import socket
import textwrap
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from baulk.dashboard.commands.answers import say
from baulk.ingest import config as settings
from baulk.models import text
from baulk.models.reason import Reason

ANSWERS_WITHIN_S: Final = 3.0
WIDTH: Final = 80  # columns of a screen


def findings(folder: Path) -> list[dict[str, object]]:
    """Return what is to be seen to; nothing outside a shop folder.

    Parameters
    ----------
    folder : Path
        The shop folder.

    Returns
    -------
    list of dict
        Keys ``kind``, ``about``, ``sentence``, ``reason``; those of the machine last.
    """
    # not every call of the doctor has a shop
    from baulk.ingest import broker_files, devices, host_clock  # noqa: PLC0415
    from baulk.ingest import shop as shops  # noqa: PLC0415
    from baulk.ingest.monitoring import health, machine  # noqa: PLC0415
    from baulk.ingest.mqtt import connection  # noqa: PLC0415

    if not (folder / settings.FILE).exists():
        return []
    with shops.open(folder) as opened:
        config, system = opened.config, opened.config.shop.units
        now_utc = datetime.now(UTC)
        seen = [*health.look(opened, now_utc).findings, *machine.stopped_before_a_night(opened, now_utc)]
        found = [(each.kind.value, each.about, each.reason) for each in seen]
        if config.store.backup_dir is None and opened.register.list():
            found.append(("backup", str(config.shop_dir), Reason(code="health.no_backup", values={})))
        elif beside := machine.backup_beside(config):
            reason = Reason(code="health.backup_beside", values={"folder": str(beside)})
            found.append(("backup", str(beside), reason))
        if host_clock.synchronised() is False:
            found.append(("wrong clock", "this machine", Reason(code="health.unsynchronised", values={})))
        told: list[dict[str, object]] = [
            {
                "kind": kind, "about": about, "reason": reason.to_json(),
                "sentence": text.sentence(reason, system, zone=config.zone),
            }
            for kind, about, reason in found
        ]  # fmt: skip
        if lacking := broker_files.lacking(opened.config, devices.enrolled(opened)):
            told.append(
                {
                    "kind": "access list",
                    "about": broker_files.ACL,
                    "reason": None,
                    "sentence": _old_list(lacking),
                }
            )
    if not _answers(config.broker.host, config.broker.port):
        away = connection.away(config.broker)
        told.append({"kind": "broker", "about": config.broker.host, "reason": None, "sentence": away})
    return told


def show(told: list[dict[str, object]], folder: Path) -> None:
    """Say each in a line, or that there is nothing."""
    if not (folder / settings.FILE).exists():
        return
    for each in told:
        lines = textwrap.wrap(
            f"{each['kind']}: {each['sentence']}", WIDTH,
            subsequent_indent="  ", break_long_words=False, break_on_hyphens=False,
        )  # fmt: skip
        say("\n".join(lines))
    if not told:
        say("nothing to see to: sensors, clocks, disk, backup, forecasts and broker are well")


def _old_list(lacking: list[str]) -> str:
    return (
        f"the access list kept for the broker lacks rights of {', '.join(lacking)}, as one does that was "
        "written by an older version or before a change of [[source]]; what they send or ask for then goes "
        "nowhere. Run `baulk sensor accounts` and give the broker its files anew"
    )


def _answers(host: str, port: int) -> bool:
    try:
        socket.create_connection((host, port), ANSWERS_WITHIN_S).close()
    except OSError:
        return False
    return True
