"""What the shop says about the meter behind readings by hand: `baulk reading meter`."""

from __future__ import annotations

import sys
from dataclasses import fields, replace
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any, Final

import typer

from baulk.dashboard.commands.answers import HERE, JsonOption, ShopOption, say, say_json
from baulk.ingest import hand_readings
from baulk.ingest import shop as shops
from baulk.ingest.store import notes
from baulk.models import text
from baulk.models.reason import Reason

QUESTION: Final = "Does your meter correct for the wood's temperature by itself?"
OWN: Final = "own"
_HOW: Final = "baulk reading meter --corrects-temperature yes|no|unknown"


class Answer(StrEnum):
    """What a person may answer."""

    YES = "yes"
    NO = "no"
    UNKNOWN = "unknown"


_CORRECTS: Final[dict[Answer, bool | None]] = {Answer.YES: True, Answer.NO: False, Answer.UNKNOWN: None}


def meter(  # noqa: PLR0913 - each is an option of the command line
    *,
    corrects_temperature: Annotated[
        Answer | None,
        typer.Option(
            "--corrects-temperature",
            help="Whether it corrects for the wood's temperature by itself, or is set to that temperature "
            "before each reading.",
        ),
    ] = None,
    make: Annotated[str | None, typer.Option(help="What stands on it: maker and model.")] = None,
    serial: Annotated[str | None, typer.Option("--serial", help="Its own number.")] = None,
    scale: Annotated[
        str | None, typer.Option(help="The wood that it is set to for every timber; own for each its own.")
    ] = None,
    top: Annotated[
        float | None, typer.Option(help="Where its scale ends, in %: what OL means; 0 if not known.")
    ] = None,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Show or change what is known of the meter that readings by hand are taken with.

    A [[meter]] row with corrects_temperature or set_to in baulk.toml has the last word.

    Example: baulk reading meter --make "Reedmouth M2" --serial 17 --scale Douglas-fir --top 30
    """
    with shops.open(shop, durable=True) as opened:
        if corrects_temperature is not None:
            _keep(opened, corrects_temperature)
        given = {
            "make": make,
            "number": serial,
            "scale": "" if scale == OWN else scale,
        }
        changes: dict[str, Any] = {name: word.strip() for name, word in given.items() if word is not None}
        if top is not None:
            changes["top_pct"] = top or None
        if changes:
            hand_readings.keep_meter(opened, replace(_known(opened), **changes))
        known = notes.hand_meter(opened.store)
        is_open = hand_readings.meter_is_open(opened)
    if json:
        row = {} if known is None else {each.name: getattr(known, each.name) for each in fields(known)}
        say_json({"corrects_temperature": None, "asked": False, **row})
        return
    if known is not None and known.named:
        say(text.sentence(known.reason, "metric"))
    if known is not None and known.asked:
        say(_told(known.corrects_temperature))
    elif is_open:
        say(f"{QUESTION} Nobody has answered yet: {_HOW}")
    else:
        say("the [[meter]] rows of baulk.toml say how readings by hand are corrected")


def ask(shop: Path) -> None:
    """Ask a person at a terminal; elsewhere say how to answer."""
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        say(f"{QUESTION} Answer once: {_HOW}")
        return
    say(f"{QUESTION} Answer yes too if you set the wood's temperature on it before each reading.")
    say("  1 yes   2 no   3 don't know   (asked once; `baulk reading meter` changes it)")
    given = typer.prompt("  Which", value_proc=_number)
    with shops.open(shop, durable=True) as opened:
        _keep(opened, given)
    say(f"saved: {_told(_CORRECTS[given])}")


def _told(corrects: bool | None) -> str:  # noqa: FBT001 - the answer itself
    return text.sentence(Reason(code="meter.temperature", values={"corrects": corrects}), "metric")


def _number(typed: str) -> Answer:
    """Read an answer by its number or its word; what is neither is asked for again."""
    words = {"1": Answer.YES, "2": Answer.NO, "3": Answer.UNKNOWN, "don't know": Answer.UNKNOWN}
    words |= {each.value: each for each in Answer}
    if (found := words.get(typed.strip().lower())) is None:
        raise typer.BadParameter(f"{typed!r} is no answer; type 1, 2 or 3")
    return found


def _keep(opened: shops.Shop, answer: Answer) -> None:
    corrects, now_utc = _CORRECTS[answer], datetime.now(UTC)
    known = replace(_known(opened), corrects_temperature=corrects, asked=True, answered_utc=now_utc)
    hand_readings.keep_meter(opened, known)


def _known(opened: shops.Shop) -> notes.HandMeter:
    """Return what is on record, or an empty record on which nobody was asked yet."""
    now_utc = datetime.now(UTC)
    empty = notes.HandMeter(corrects_temperature=None, answered_utc=now_utc, asked=False)
    return notes.hand_meter(opened.store) or empty
