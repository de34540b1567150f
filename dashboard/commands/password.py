"""The password of the pages: `baulk password`."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from baulk.dashboard.commands.answers import HERE, JsonOption, ShopOption, say, say_json
from baulk.dashboard.server import access
from baulk.ingest import config as settings


def password(
    *,
    remove: Annotated[bool, typer.Option("--remove", help="Remove it; the pages are open again.")] = False,
    stdin: Annotated[bool, typer.Option("--stdin", help="Read it from standard input, one line.")] = False,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Set the password of the pages, needed before they are served beyond this machine.

    Only its hash is kept, in the shop folder. A new password signs everybody out.

    Example: baulk password --shop ferry
    """
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
