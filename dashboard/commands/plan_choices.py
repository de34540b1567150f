"""What could be done with one timber, side by side: `baulk plan choices`."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated

import typer

from baulk.dashboard import plan_rows, words
from baulk.dashboard.commands.answers import (
    HERE,
    JsonOption,
    ShopOption,
    say,
    say_item,
    say_json,
    table,
    worded,
)
from baulk.ingest import shop as shops
from baulk.ingest.planning import timber_choices
from baulk.models import text


def choices(
    tag: Annotated[str, typer.Argument(help="A timber of the register.", metavar="TAG")],
    *,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Say what could be done with a timber: leave, rough out, square, kerf, coat, move, another use.

    Each with its month, the chance to come out and to stay, the chance of a bad check, and what it costs;
    the best first. What differs by less than is known of it has the same rank. Other uses stand by
    themselves. The answer is kept until something new is known of the timber.

    Example: baulk plan choices FER-03
    """
    with shops.open(shop) as opened:
        words.keep_to(opened.config.zone)
        made = timber_choices.choices(opened, tag, datetime.now(UTC))
        system = opened.config.shop.units
    if json:
        say_json(worded(made, system))
        return
    say(text.sentence(made.headline, system, zone=words.zone()))
    own = plan_rows.choices(made.own, system, narrow=True)
    table("\nFor its own use", *plan_rows.known(plan_rows.CHOICE_HEADS, own))
    if made.other_uses:
        others = plan_rows.choices(made.other_uses, system, narrow=True)
        table("\nFor another use", *plan_rows.known(plan_rows.CHOICE_HEADS, others))
    say("\nWhat decides:")
    for each in (*made.own, *made.other_uses):
        say_item(plan_rows.decides(each, system), mark=str(each.rank))
    say("")
    for sentence in text.sentences((*made.unanswered, *made.notes), system, zone=words.zone()):
        say_item(sentence)
