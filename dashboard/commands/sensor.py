"""Devices: accounts at the broker (`baulk sensor enrol`, `revoke`, `list`, `accounts`), and their clocks."""

# ruff: noqa: PLR0913 - a person names the options one by one
from __future__ import annotations

import os
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Final

import typer

from baulk.dashboard import plan_rows, sensor_cells, words
from baulk.dashboard.commands import sensor_clock, sensor_mapping, sensor_pair
from baulk.dashboard.commands.answers import (
    HERE,
    JsonOption,
    ShopOption,
    counted,
    say,
    say_json,
    stamp,
    table,
)
from baulk.dashboard.commands.options import TOPIC, Again, By, MaybeOut, Places
from baulk.ingest import broker_files, certificates, devices
from baulk.ingest import shop as shops
from baulk.ingest.errors import DeviceError
from baulk.ingest.monitoring import health, sensor_rows

app = typer.Typer(no_args_is_help=True, help="Sensors: meet new ones, accounts, clocks.")
NameArgument = Annotated[str, typer.Argument(help="What the device is called.", metavar="NAME")]
app.command("pair")(sensor_pair.pair)
app.command("map")(sensor_mapping.map_sensor)
app.command("test")(sensor_mapping.try_out)
app.command("mappings")(sensor_mapping.list_mappings)
app.command("unmap")(sensor_mapping.unmap)
app.command("replace")(sensor_mapping.replace)
app.command("clock")(sensor_clock.clock)
PICTURES: Final = ("svg", "png", "pdf")


@app.command()
def enrol(
    name: NameArgument,
    *,
    place: Places = None,
    topic: Annotated[list[str] | None, TOPIC] = None,
    display: Annotated[
        bool, typer.Option("--display", help="It reads verdicts, plans, notices and what is announced.")
    ] = False,
    forwards: Annotated[
        bool, typer.Option("--forwards", help="It is a forwarder: hands on what others at its yard send.")
    ] = False,
    events: Annotated[
        bool,
        typer.Option("--reports", help="It reports events: what was measured, seen or done on any timber."),
    ] = False,
    again: Again = False,
    ca: Annotated[
        Path | None,
        typer.Option(help="Folder of the shop's authority (deploy/tls/make): a certificate as well."),
    ] = None,
    out: MaybeOut = None,
    by: By = "",
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Give a device an account of its own at the broker: password, rights, and a code to scan.

    It publishes SenML to baulk/v1/SHOP/sensor/NAME; `baulk timber attach TAG NAME` says where it is.
    The password is shown this once. The broker knows of it once it has the two files that this writes.
    --place is where it measures the air, --topic one more that it may publish to, where its maker allows no
    other; both may be said again. --reports lets it publish to .../timber/TAG/event of every timber.
    --forwards is for `baulk forward` at a yard far away, and its name the `name` in [forward] there. --again
    makes a new password and new rights; the old ones end. -o is the code to scan as a picture: .svg, .png or
    .pdf.

    Example: baulk sensor enrol S7 -o s7.svg
    """
    if out is not None and out.suffix.lower().removeprefix(".") not in PICTURES:
        raise DeviceError(f"{out} is no picture that can be written; end its name in .svg, .png or .pdf")
    with shops.open(shop) as opened:
        made = devices.enrol(
            opened,
            name,
            now_utc=datetime.now(UTC),
            places=place or (),
            more_topics=topic or (),
            display=display,
            forwards=forwards,
            events=events,
            by=by,
            again=again,
        )
        folder = opened.config.shop_dir / broker_files.FOLDER
    signed = None if ca is None else certificates.for_client(ca, name)
    if out is not None:
        _picture(made.address, out)
    if json:
        say_json({
            "name": name, "password": made.password, "host": made.host, "port": made.port, "tls": made.tls,
            "publishes": made.publishes, "address": made.address, "files": folder,
            "certificate": None if signed is None else signed[0],
        })  # fmt: skip
        return
    say(f"{name} has an account at the broker. To be set in the device, now or never:")
    say(f"  broker    {made.host}, port {made.port}, {'TLS' if made.tls else 'without TLS'}")
    say(f"  user      {name}")
    say(f"  password  {made.password}")
    say(f"  publish   {', '.join(made.publishes)}, QoS 1, SenML")
    if signed is not None:
        say(f"  with      {signed[0]} and {signed[1].name}, good for {certificates.DAYS} days")
    if out is not None:
        say(f"  or scan   {out}; whoever sees it can send as {name}: delete it afterwards")
    elif sys.stdout.isatty():
        import segno  # noqa: PLC0415 - only where it is drawn

        segno.make(made.address, micro=False).terminal(compact=True)
    if made.host in {"127.0.0.1", "::1", "localhost"}:
        say(f"{made.host} is this machine alone: name the broker as devices reach it, devices_at in [broker]")
    _to_broker(folder)


@app.command()
def revoke(name: NameArgument, *, shop: ShopOption = HERE, json: JsonOption = False) -> None:
    """Take a device's account and rights back; its readings stay.

    Example: baulk sensor revoke S7
    """
    with shops.open(shop) as opened:
        gone = devices.revoke(opened, name, now_utc=datetime.now(UTC))
        folder = opened.config.shop_dir / broker_files.FOLDER
    if json:
        say_json(gone)
        return
    say(f"{name} has no account any more, once the broker knows of it.")
    _to_broker(folder)


@app.command("list")
def list_sensors(*, shop: ShopOption = HERE, json: JsonOption = False) -> None:
    """List the sensors with their health, the longest silent first, and the devices with an account.

    Example: baulk sensor list
    """
    now_utc = datetime.now(UTC)
    with shops.open(shop) as opened:
        words.keep_to(opened.config.zone)
        sensors = sensor_rows.rows(opened, health.look(opened, now_utc), now_utc)
        found, slug, zone = devices.enrolled(opened), opened.config.slug, opened.config.zone
        system = opened.config.shop.units
    if json:
        say_json({"sensors": sensors, "accounts": found})
        return
    heads = tuple(each.lower() for each in sensor_cells.HEADS)
    rows = [
        tuple(
            plan_rows.UNKNOWN if each == sensor_cells.NOTHING else each
            for each in sensor_cells.cells(one, now_utc, system)
        )
        for one in sensors
    ]
    if sensors:
        table(counted(len(sensors), "sensor"), *plan_rows.known(heads, rows))
    else:
        say("No sensor has spoken yet. `baulk sensor pair` listens for a new one.")
    table(
        f"{counted(sum(one.revoked_utc is None for one in found), 'device')} with an account",
        ("device", "enrolled", "by", "publishes to", "reads", "revoked"),
        [
            (
                one.name,
                stamp(one.enrolled_utc, zone),
                one.by,
                ", ".join(broker_files.publishes(one, slug)),
                "verdicts" if one.display else "",
                stamp(one.revoked_utc, zone),
            )
            for one in found
        ],
    )


@app.command()
def accounts(*, shop: ShopOption = HERE, json: JsonOption = False) -> None:
    """Write the broker's two files anew: the first time, and after a change of [[source]] or our password.

    Example: baulk sensor accounts
    """
    with shops.open(shop) as opened:
        folder = devices.write_files(opened)
    if json:
        say_json({"files": folder})
        return
    say("The accounts of Baulk itself and of every device are written.")
    _to_broker(folder)


def _to_broker(folder: Path) -> None:
    say(
        f"Now give the broker {broker_files.PASSWD} and {broker_files.ACL} of {folder}: "
        f"sudo deploy/mosquitto/apply {folder}"
    )


def _picture(address: str, out: Path) -> None:
    import segno  # noqa: PLC0415 - only where it is drawn

    try:
        with os.fdopen(os.open(out, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "wb") as file:
            segno.make(address, error="q", micro=False).save(
                file, kind=out.suffix.lower().removeprefix("."), scale=8
            )
    except OSError as err:
        raise DeviceError(f"{out} can't be written: {err.strerror}") from err
