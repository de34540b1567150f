"""What is open and who hears of it: `baulk notices`."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated

import typer

from baulk.dashboard.commands.answers import HERE, JsonOption, ShopOption, say, say_json, stamp, table
from baulk.ingest import shop as shops
from baulk.ingest.monitoring import notices as open_notices
from baulk.ingest.monitoring import notify
from baulk.models.errors import BaulkError
from baulk.models.text.notices import about


class NotSent(BaulkError):
    """A messenger did not take the message."""


def notices(
    *,
    test: Annotated[
        bool, typer.Option("--test", help="Send a test to every messenger, and say what came of it.")
    ] = False,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """List what is open: sensors, batteries, check risk, mould, timbers that are ready or have slipped.

    Messengers are addresses of the apprise library, one a line, in notices.urls of the shop folder
    (chmod 600), or in BAULK_NOTICE_URLS. Quiet hours: [notices] of baulk.toml.

    Example: baulk notices --test
    """
    now_utc = datetime.now(UTC)
    with shops.open(shop) as opened:
        system = opened.config.shop.units
        to = notify.addresses(opened.config.shop_dir)
        if test:
            _test(opened.config.shop.name, to, json=json)
            return
        found, zone = open_notices.look(opened, now_utc), opened.config.zone
    if json:
        say_json([open_notices.as_json(each, system, zone=zone) for each in found])
        return
    if not found:
        say("nothing is open")
        return
    table(
        "Open notices",
        ("kind", "about", "what", "since"),
        [
            (
                each.kind,
                about(each.about, system),
                each.words(system, zone=zone),
                stamp(each.since_utc, zone),
            )
            for each in found
        ],
    )
    say(f"{len(to)} messenger{'s' if len(to) != 1 else ''}; `baulk notices --test` tries them")


def _test(name: str, to: list[str], *, json: bool) -> None:
    if not to:
        raise NotSent("there is no messenger; write an address of the apprise library into notices.urls")
    failed = notify.send(to, f"{name}: a test", "Notices of this shop come here.")
    if json:
        say_json({"sent": len(to) - len(failed), "failed": sorted(failed.values())})
    elif not failed:
        say(f"{len(to)} messenger{'s' if len(to) != 1 else ''} took the test")
    if failed:
        raise NotSent("; ".join(sorted(failed.values())))
