"""The password of the pages: `baulk password`."""

from __future__ import annotations

import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from baulk.dashboard.commands.answers import HERE, JsonOption, ShopOption, say, say_json
from baulk.dashboard.server import access, outside
from baulk.ingest import config as settings
from baulk.ingest import shop as shops


def password(  # noqa: PLR0913 - one an option
    *,
    remove: Annotated[bool, typer.Option("--remove", help="Remove it; the pages are open again.")] = False,
    token: Annotated[
        bool, typer.Option("--token", help="A token by which a program reads /api/yard, made anew.")
    ] = False,
    stop: Annotated[bool, typer.Option("--stop", help="End it now.")] = False,
    stdin: Annotated[bool, typer.Option("--stdin", help="Read it from standard input, one line.")] = False,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Set the password of the pages, needed before they are served beyond this machine.

    Only its hash is kept, in the shop folder. A new password signs everybody out. --token makes a token for a
    program that reads the yard at /api/yard with the header "Authorization: Bearer TOKEN": it is shown once,
    opens nothing else, and --stop ends it.

    Example: baulk password --shop ferry
    """
    if token or stop:
        _token(shop, json=json, stop=stop)
        return
    config = settings.load(shop)
    if remove:
        was = access.take_password_away(config.shop_dir)
        told = "the password is gone; the pages are open" if was else "there was no password"
    else:
        given = (
            sys.stdin.readline().rstrip("\n")
            if stdin
            else typer.prompt("New password of the pages", hide_input=True, confirmation_prompt=True)
        )
        access.set_password(config.shop_dir, given)
        told = f"the pages of {config.shop_dir} ask for this password from now on"
    if json:
        say_json({"shop_dir": config.shop_dir, "lock": access.lock(config)})
    else:
        say(told)


def _token(shop: Path, *, json: bool, stop: bool) -> None:
    made = None
    with shops.open(shop) as opened:
        if stop:
            outside.end_token(opened)
        else:
            made = outside.new_token(opened, datetime.now(UTC))
    if json:
        say_json({"token": made})
    elif made is None:
        say("no program reads the yard by a token any more")
    else:
        say(made)
        say("shown this once; whoever has it can read the yard; --stop ends it, and --token makes another")
