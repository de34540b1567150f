"""The store from the command line: `baulk store thin`, `baulk store move`."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from enum import StrEnum
from typing import Annotated

import typer

from baulk.dashboard.commands.answers import HERE, JsonOption, ShopOption, counted, say, say_json
from baulk.dashboard.commands.options import TO, Preview, Yes
from baulk.ingest import config as settings
from baulk.ingest import shop as shops
from baulk.ingest.errors import Unlikely
from baulk.ingest.exchange import moving
from baulk.models.errors import OutOfRange

app = typer.Typer(pretty_exceptions_enable=False)
_DAYS = {"": 1.0, "d": 1.0, "w": 7.0, "y": 365.25}


class Keep(StrEnum):
    """How thin."""

    HOURLY = "hourly"
    DAILY = "daily"


@app.command()
def thin(
    older_than: Annotated[
        str, typer.Option("--older-than", metavar="TIME", help="What is younger stays: '365d', '52w', '2y'.")
    ],
    *,
    keep: Annotated[
        Keep, typer.Option("--keep", help="One reading of each hour, or of each day, stays.")
    ] = Keep.HOURLY,
    preview: Preview = False,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Thin old sensor readings to the median one of each hour or day.

    What a person took by hand or brought in from a file stays, and so does every weight. It can't be taken
    back: look with --preview first, and make a backup. In baulk.toml, [store] thin_after_days has it done
    every night.

    Example: baulk store thin --older-than 365d --preview
    """
    keep_days = days(older_than)
    with shops.open(shop) as opened:
        gone = opened.store.thin(datetime.now(UTC), keep_days=keep_days, to=keep.value, preview=preview)
    if json:
        say_json({"keep_days": keep_days, "to": keep, "preview": preview, "gone": gone})
        return
    what, each = "would go" if preview else "went", "hour" if keep is Keep.HOURLY else "day"
    say(
        f"{counted(gone, 'sensor reading')} older than {keep_days:g} days {what}; the median of each "
        f"{each} stays"
    )


class Kind(StrEnum):
    """Where to."""

    SQLITE = "sqlite"
    POSTGRES = "postgres"
    INFLUX = "influx"


@app.command()
def move(  # noqa: PLR0913 - options of a command
    to: Annotated[Kind, typer.Option("--to", help=TO)],
    *,
    url: Annotated[
        str | None,
        typer.Option(
            "--server", metavar="URL", help="Of the server: http://host:8086, postgresql://user@host/name."
        ),
    ] = None,
    books: Annotated[
        str | None,
        typer.Option(
            "--books",
            metavar="URL",
            help="With influx: the PostgreSQL database of register and books, or 'file' for the shop's own.",
        ),
    ] = None,
    org: Annotated[str | None, typer.Option("--org", help="The organisation at that server.")] = None,
    bucket: Annotated[str | None, typer.Option("--bucket", help="The bucket there; left out: baulk.")] = None,
    kept_bucket: Annotated[
        str | None, typer.Option("--kept-bucket", help="A second one, for what is never forgotten.")
    ] = None,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Carry the shop into another store, compare all of it, then have baulk.toml name that store.

    Between the shop's file and PostgreSQL everything goes: register, readings, evaluations, quarantine,
    messages. To InfluxDB go the readings; the rest stays where it is, unless --books says otherwise. Listener
    and pages may go on: they wait while all is compared for the last time, and then write to the new store.
    Broken off, it goes on where it was when it is called again; the old store keeps what it holds, and until
    all agrees the shop works with it. On other machines [store] in baulk.toml is to be changed by hand.

    Example: baulk store move --to postgres --server postgresql://baulk@127.0.0.1/baulk

    Example: baulk store move --to influx --server http://127.0.0.1:8086 --org yard
    """
    config = settings.load(shop)
    part = moving.settings_for(
        config, to.value, url=url, org=org, bucket=bucket, kept_bucket=kept_bucket, books=books
    )
    done = moving.move(config, part, lambda what, new, unit: None if json else say(f"{what}: {new} {unit}"))
    if json:
        say_json(done)
        return
    if done.rows:
        told = ", ".join(f"{count} {name}" for name, count in sorted(done.rows.items()) if count)
        say(f"Rows in both databases, each compared: {told}")
    if done.readings or not done.rows:
        say(
            f"in both stores, each compared: {counted(done.readings, 'reading')} under "
            f"{counted(done.names, 'name')}"
        )
    say(f"{settings.FILE} names {to.value} now; listener and pages that are open follow by themselves")


@app.command()
def reopen(*, yes: Yes = False, shop: ShopOption = HERE) -> None:
    """Take up again the store that baulk.toml names, though the shop was moved away from it.

    For a new store that is lost: what was entered since the move is not in the one before. To go back with
    everything, use `baulk store move` instead.

    Example: baulk store reopen --yes
    """
    config = settings.load(shop)
    if not yes:
        raise Unlikely(
            f"what came since the move is not in {moving.called(config.store)}; `baulk store move` brings it"
        )
    gone = moving.reopen(config)
    here = moving.called(config.store)
    say(f"{here} is written to again, not {gone}" if gone else f"{here} was never left; nothing was changed")


def days(text: str) -> float:
    """Read a length of time in days, weeks or years."""
    found = re.fullmatch(r"\s*(\d{1,6}(?:\.\d+)?)\s*([dwy]?)\s*", text.lower())
    if found is None:
        raise OutOfRange("--older-than", f"looks like 365d, 52w or 2y, not {text!r}")
    return float(found[1]) * _DAYS[found[2]]
