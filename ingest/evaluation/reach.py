"""When a part of a timber comes down to a moisture content: `baulk verdict TAG --below 20 --where core`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from baulk.dashboard import words
from baulk.ingest.evaluation import compute, gather
from baulk.ingest.shop import Shop
from baulk.models import air_scenarios, forecast, units
from baulk.models.errors import OutOfRange
from baulk.models.forecast import Part
from baulk.models.wording import share


@dataclass(frozen=True, slots=True, kw_only=True)
class Reaching:
    """When a part or depth of one timber first comes down to a moisture content.

    Parameters
    ----------
    tag : str
        Which timber.
    where : str or float
        mean, shell, core, or a depth below the faces. [mm]
    below_pct : float
        The moisture content. [%]
    held : (float, float) or None
        Air that the shop is to hold from now on; None for the usual air of the season. [degC, %]
    quantiles : sequence of float
        Shares of the chances.
    dates_utc : sequence of datetime or None
        When it is reached in that share of the chances; None where not within the forecast.
    by_utc : datetime or None
        The date asked about.
    probability : float or None
        Chance of having reached it by that date.
    now_pct : sequence of float
        What it is now, at the same shares. [%]
    """

    tag: str
    where: str | float
    below_pct: float
    held: tuple[float, float] | None
    quantiles: Sequence[float]
    dates_utc: Sequence[datetime | None]
    by_utc: datetime | None
    probability: float | None
    now_pct: Sequence[float]


def place(text: str, system: units.System) -> Part | float:
    """Read where in the section: mean, shell, core, or a depth such as 45mm or "1 3/4 in"."""
    plain = text.strip().lower()
    if plain in {"mean", "shell", "core"}:
        return plain  # type: ignore[return-value]
    try:
        return units.length_mm(plain, bare="in" if system == "inch" else "mm")
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


def date_ahead(text: str, now_utc: datetime) -> datetime:
    """Read a date that is still to come."""
    try:
        at_utc = datetime.fromisoformat(text.strip()).astimezone(UTC)
    except (ValueError, OverflowError) as err:
        raise OutOfRange("--by", f"is a date such as 2027-06-30, not {text!r}") from err
    if at_utc <= now_utc:
        raise OutOfRange("--by", f"{text!r} lies in the past; give a date to come")
    return at_utc


def reaching(  # noqa: PLR0913 - one an option
    opened: Shop,
    tag: str,
    now_utc: datetime,
    *,
    below_pct: float,
    where: Part | float,
    held: tuple[float, float] | None,
    by_utc: datetime | None,
) -> Reaching:
    """Work a timber out as `baulk forecast` does, and ask its ensemble; nothing is kept.

    Parameters
    ----------
    opened : Shop
        The open shop, only read.
    tag : str
        Which timber.
    now_utc : datetime
        Now.
    below_pct, where, held, by_utc
        As in `Reaching`.

    Returns
    -------
    Reaching
        The dates of its 64 members; no interpolation but a straight line within a week.
    """
    inputs = gather.gather(tag, opened, now_utc)
    fitted = compute.fitted_to(inputs)
    air = None if held is None else air_scenarios.held(*held, since_s=inputs.now_s)
    coming = compute.coming(inputs, fitted, air)
    found = forecast.reach(coming, where, below_pct)
    return Reaching(
        tag=inputs.timber.tag,
        where=where,
        below_pct=below_pct,
        held=held,
        quantiles=[float(each) for each in found.quantiles],
        dates_utc=found.dates_utc,
        by_utc=by_utc,
        probability=None if by_utc is None else found.by(by_utc),
        now_pct=[round(float(each), 2) for each in coming.quantiles_pct(where)[:, 0]],
    )


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
