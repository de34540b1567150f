"""What `baulk verdict TAG --below 20 --where core` asks and answers, in words."""

from __future__ import annotations

from datetime import datetime, tzinfo

from baulk.dashboard import words
from baulk.ingest.errors import NoSuchHour
from baulk.ingest.evaluation.reach import Reaching
from baulk.ingest.wire import zone as wall
from baulk.models import units
from baulk.models.errors import OutOfRange
from baulk.models.forecast import Part
from baulk.models.formatting import share


def place(text: str, system: units.System) -> Part | float:
    """Read where in the section: mean, shell, core, or a depth such as 45mm or "1 3/4 in"."""
    plain = text.strip().lower()
    if plain in {"mean", "shell", "core"}:
        return plain  # type: ignore[return-value]
    try:
        return units.length_mm(plain, bare=units.default_length_unit(system))
    except OutOfRange as err:
        raise OutOfRange(
            "--where", f"is mean, shell, core, or a depth such as 45mm or 2in, not {text!r}"
        ) from err


def held_air(text: str) -> tuple[float, float]:
    """Read the air that is held: temperature and humidity, such as 18C,65."""
    warm, _, damp = text.partition(",")
    try:
        temp_c, rh_pct = units.temperature_c(warm), float(damp.strip().removesuffix("%"))
    except ValueError as err:
        raise OutOfRange(
            "--held", f"is a temperature and a humidity such as 18C,65 or 64F,65, not {text!r}"
        ) from err
    if not (-30 <= temp_c <= 60 and 5 <= rh_pct <= 99):
        raise OutOfRange(
            "--held", f"takes -30 to 60 degC and 5 to 99 % RH, not {temp_c:g} degC and {rh_pct:g} %"
        )
    return temp_c, rh_pct


def date_ahead(text: str, now_utc: datetime, zone: tzinfo | None = None) -> datetime:
    """Read a date that is still to come, in the shop's zone."""
    try:
        at_utc = wall.written(text, zone, now_utc)
    except (NoSuchHour, ValueError, OverflowError) as err:
        raise OutOfRange("--at", f"is a date such as 2027-06-30, not {text!r}") from err
    if at_utc <= now_utc:
        raise OutOfRange("--at", f"{text!r} lies in the past; give a date to come")
    return at_utc


def sentence(found: Reaching, now_utc: datetime, system: units.System) -> str:
    """Say it in one line or two."""
    if isinstance(found.where, str):
        what = f"the {found.where}"
    else:
        what = f"the wood {units.show_length(found.where, system)} deep"
    said = f"{found.tag}: {words.reached(what, found.below_pct, found.dates_utc, now_utc)}"
    said += f" It is {found.now_pct[2]:.0f} % now ({found.now_pct[0]:.0f} to {found.now_pct[4]:.0f})."
    if found.by_utc is not None and found.probability is not None:
        said += f" By {words.day(found.by_utc)}: {share(found.probability)} sure."
    return said
