"""Labels from the command line: `baulk labels`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from baulk.dashboard import words
from baulk.dashboard.commands.answers import HERE, JsonOption, ShopOption, counted, say, say_json
from baulk.dashboard.commands.options import Out
from baulk.dashboard.printing import labels, style
from baulk.ingest import shop as shops


def print_labels(  # noqa: PLR0913 - each is an option of the command line
    tags: Annotated[list[str], typer.Argument(help="Tags to print.", metavar="TAG...")],
    *,
    sheet: Annotated[
        str,
        typer.Option(
            help=f"{', '.join(labels.SHEETS)}, or the size of a roll, width first: '62 x 29 mm', '4 x 2 in'."
        ),
    ] = "a4-24",
    copies: Annotated[int, typer.Option(help="Labels a timber; two, one for each end.")] = 2,
    skip: Annotated[int, typer.Option(help="Labels of the first sheet that are used already.")] = 0,
    url: Annotated[
        str | None, typer.Option(help="Where the pages are reached; else [dashboard] url of the settings.")
    ] = None,
    out: Out = Path("labels.pdf"),
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Print tag labels whose code opens the timber's page.

    Try a sheet on plain paper first and hold it against the labels.

    Example: baulk labels FER-01 FER-02 -o labels.pdf --sheet letter-30
    """
    with shops.open(shop) as opened:
        words.keep_to(opened.config.zone)
        timbers = [opened.register.get(tag) for tag in tags]
        address, system = url or opened.config.dashboard.address, opened.config.shop.units
        uses = opened.woods.use_classes
    pdf = labels.labels(
        timbers,
        sheet=labels.named(sheet),
        url=address,
        system=system,
        copies=copies,
        skip=skip,
        uses=uses,
    )
    style.write(out, pdf)
    if json:
        say_json({"file": out, "labels": len(timbers) * copies, "url": address})
        return
    say(f"{counted(len(timbers) * copies, 'label')} for {counted(len(timbers), 'timber')} in {out}")
    if "//127.0.0.1" in address or "//localhost" in address:
        say(
            f"their codes open {address}, which only this machine reaches; set url under [dashboard] in the "
            "settings to the address that phones use, and print them again"
        )
