"""Weather ahead that the shop is given: `baulk plan weather`."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from baulk.dashboard import words
from baulk.dashboard.commands.answers import HERE, JsonOption, ShopOption, say, say_json
from baulk.ingest import shop as shops
from baulk.ingest import weather_ahead
from baulk.models.errors import OutOfRange

MOST_BYTES = 1_000_000


def weather(
    file: Annotated[Path, typer.Argument(help="CSV or JSON of the days ahead.", metavar="FILE")],
    *,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Take in outdoor weather of the coming days, for plans of the air; the newest issue counts.

    CSV with the columns time,temp_c,rh_pct (or temp_f), times as 2026-11-27T06:00+00:00, at most 12 hours
    apart and 16 days ahead. JSON: {"issued": TIME, "hours": [{"time": TIME, "temp_c": 4, "rh_pct": 80}]}.
    Where the outside is measured too, a room follows as far as its own record shows.

    Example: baulk plan weather tomorrow.csv
    """
    try:
        with file.open("rb") as opened_file:
            content = opened_file.read(MOST_BYTES + 1)
        if len(content) > MOST_BYTES:
            raise OutOfRange(str(file), "is larger than 1 MB; that is no weather of some days")
        issue = weather_ahead.read(content.decode("utf-8"), datetime.now(UTC))
    except (OSError, UnicodeDecodeError) as err:
        raise OutOfRange(str(file), f"can't be read: {err}") from err
    with shops.open(shop, durable=True) as opened:
        words.keep_to(opened.config.zone)
        weather_ahead.keep(opened, issue)
    first, last = (datetime.fromtimestamp(float(issue.air.posix_s[i]), UTC) for i in (0, -1))
    if json:
        say_json(
            {
                "issued_utc": issue.issued_utc,
                "first_utc": first,
                "last_utc": last,
                "rows": issue.air.posix_s.size,
            }
        )
        return
    say(
        f"Weather from {words.clock(first)} to {words.clock(last)} is kept; plans of the air use it from the "
        "next one on."
    )
