"""`baulk timber list`, by itself, so that it waits for none of its neighbours to load."""

from __future__ import annotations

from typing import Annotated

import typer

from baulk.dashboard.commands.answers import HERE, JsonOption, ShopOption, counted, say_json, table
from baulk.ingest import shop as shops
from baulk.models import formatting, units


def list_(
    *,
    retired: Annotated[bool, typer.Option("--retired", help="Also those that are gone.")] = False,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """List every timber of the shop in the order of entry.

    Example: baulk timber list --retired
    """
    with shops.open(shop, durable=True) as opened:
        timbers, system = opened.register.list(retired=retired), opened.config.shop.units
    if json:
        say_json(timbers)
        return
    table(
        counted(len(timbers), "timber"),
        ("tag", "species", "green", "finished", "length", "use class", "place"),
        [
            (
                each.tag,
                each.species,
                units.show_size(each.section.width_mm, each.section.depth_mm, system),
                units.show_size(each.finished.width_mm, each.finished.depth_mm, system),
                formatting.show_along(each.length_mm, system),
                each.use_class,
                each.place,
            )
            for each in timbers
        ],
    )
