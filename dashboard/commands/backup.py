"""A shop into a zip and back: `baulk backup`, `baulk restore`."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from baulk.dashboard.commands.answers import HERE, JsonOption, ShopOption, counted, say, say_json, stamp
from baulk.dashboard.commands.options import MaybeOut
from baulk.ingest import config as settings
from baulk.ingest.exchange import backup as backups
from baulk.ingest.exchange import drill as drills
from baulk.ingest.exchange import restore as restoring
from baulk.ingest.exchange import signature
from baulk.ingest.exchange.manifest import KEY_FILE
from baulk.models import formatting
from baulk.models.errors import OutOfRange


def backup(
    *,
    sign: Annotated[
        bool,
        typer.Option("--sign", help="Make a key (backup.key) that signs this backup and all later ones."),
    ] = False,
    with_readings: Annotated[
        bool,
        typer.Option("--with-readings", help="Fetch what lies on a server too; it comes back in one file."),
    ] = False,
    file: MaybeOut = None,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Back the shop up into one zip, while everything runs, and prove it by restoring it.

    In it: register, readings, evaluations and quarantine, baulk.toml, your own tables, photographs. Not in
    it: secrets. Keep it on another disk; without -o, or in a folder, it is named by shop and time. [store]
    backup_dir in baulk.toml has it done every night.

    Example: baulk backup -o /mnt/usb/yard.zip
    """
    now_utc = datetime.now(UTC)
    config = settings.load(shop)
    target = file or Path.cwd()
    if target.is_dir() or not target.suffix:  # the folder of a night's backups may not be there yet
        target /= backups.name_for(config, now_utc)
    if sign:
        signature.make_key(config.shop_dir)
    made = backups.make(config, target, now_utc, with_readings=with_readings)
    if json:
        say_json(made)
        return
    say(
        f"{made.file}: {counted(made.files, 'file')}, {made.size_mb:.1f} MB; "
        "test restore passed, all counts agree"
    )
    counts = {k: n for k, n in made.counts.items() if k != "reading" or not _elsewhere(made.left_out)}
    say(_counts(counts))
    if made.signed:
        say(f"signed with {config.shop_dir / KEY_FILE}; keep a copy of that apart from the backups")
    for each in made.left_out:
        say(f"not in it: {each}")


def restore(  # noqa: PLR0913 - options of a command
    file: Annotated[Path, typer.Argument(help="The zip.", metavar="FILE")],
    folder: Annotated[
        Path | None, typer.Argument(help="A new or empty folder; left out with --drill.", metavar="DIR")
    ] = None,
    *,
    drill: Annotated[
        bool,
        typer.Option(
            "--drill", help="Only try it, in a folder that goes again, and work out one timber from it."
        ),
    ] = False,
    database: Annotated[
        str | None,
        typer.Option(
            "--database", metavar="URL", help="A new, empty PostgreSQL database, if it came from one."
        ),
    ] = None,
    key: Annotated[
        Path | None, typer.Option("--key", metavar="FILE", help="The backup.key that has to have signed it.")
    ] = None,
    keep_addresses: Annotated[
        bool,
        typer.Option("--keep-addresses", help="Connect where its settings say; for a zip that you trust."),
    ] = False,
    json: JsonOption = False,
) -> None:
    """Restore a backup into a new folder; every file is checked, and nothing is ever overwritten.

    Without --key or --keep-addresses the restored settings reach no other machine: what they named is said.

    Example: baulk restore yard.zip ~/shop-again

    Example: baulk restore yard.zip --drill
    """
    if drill == (folder is not None):
        raise OutOfRange(
            "the folder",
            "must be named, as in `baulk restore yard.zip DIR`, or left out with --drill, which needs none",
        )
    if folder is None:
        _answer_drill(drills.drill(file, datetime.now(UTC), database=database, key_file=key), json=json)
        return
    done = restoring.restore(file, folder, database=database, key_file=key, keep_addresses=keep_addresses)
    if json:
        say_json(done)
        return
    counts = {k: n for k, n in done.counts.items() if k != "reading" or not _elsewhere(done.left_out)}
    when = stamp(done.made_utc, settings.load(done.folder).zone)
    say(f"{done.folder} is as the shop was on {when}: {_counts(counts)}")
    for each in (*(f"not in it: {words}" for words in done.left_out), *done.notes):
        say(each)
    say(f"Start it with: baulk serve --shop {done.folder}")
    say("Not beside the old shop: both would listen to the broker under one name.")


def _answer_drill(done: drills.Drill, *, json: bool) -> None:
    if json:
        say_json(done)
        return
    say(f"{done.file}: restored, opened and read in {done.seconds:.0f} s: {_counts(done.counts)}")
    if done.tag is not None:
        say(f"worked out from it: {done.tag}: {done.verdict}")
    for each in done.left_out:
        say(f"not in it, so keep it apart: {each}")


def _elsewhere(left_out: tuple[str, ...]) -> bool:
    """Whether the readings are not in a backup, so that their number says nothing."""
    return any(each.startswith("the readings") for each in left_out)


def _counts(counts: dict[str, int]) -> str:
    told = [formatting.count(counts[name], name) for name in ("timber", "reading", "event") if name in counts]
    if "quarantine" in counts:
        told.append(f"{counts['quarantine']} in quarantine")
    return ", ".join(told)
