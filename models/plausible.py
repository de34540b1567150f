"""Whether what a person, a file or a sensor says can be so: nothing, unlikely, or impossible with its limit.

One check for a page, a command, a file and a message. What is impossible is refused; what is unlikely is said
back and wants a word, or is flagged where nobody can be asked.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import timedelta
from enum import StrEnum
from typing import Final

import numpy as np

from baulk.models import gravimetric
from baulk.models.quantity import AT_DEPTH, SIZES, SPECS, Owner, Quantity
from baulk.models.reading import Reading
from baulk.models.reason import Reason, Values
from baulk.models.species import Species
from baulk.models.timber import Timber

FSP_PCT: Final = 30.0  # above it a pin meter's number means only "at least"
PIN_SD_PCT: Final = 2.0  # one pin pair against the wood about it, as in the fit
FAR: Final = 3.0  # standard deviations
HEAVIER: Final = 1.02  # of the last weight; rain aside, a drying timber gets no heavier
LOSS_A_DAY: Final = 0.012  # of its weight; a thin board in summer loses that, common practice, no source
LEAST_LOSS: Final = 0.03
BELOW_METER_PCT: Final = 5.0  # pin meters begin at about 6 % (Wood Handbook FPL-GTR-282, p. 13-3)
MOST_SHOWN_PCT: Final = 100.0  # no scale of a pin meter goes on beyond it: common practice, no source
SATURATED_RH: Final = 100.0  # what relative humidity means: of all that air can hold
RATIO: Final = 1.0  # percent at and below which a number looks like a share of one
BEFORE: Final = timedelta(days=1)  # a reading may be dated by its day, and so before the hour of arrival
TWICE_MIN: Final = 30.0  # the same number again so soon is one entered twice: our own judgement, no source
TWICE: Final = timedelta(minutes=TWICE_MIN)
# three standard deviations of the density of trees of one wood (10 %: Wood Handbook, chapter 5, from memory)
DENSITY_SHARE: Final = 0.3
# what wane, sizes and a scale add: our own judgement, no source
SIZE_SHARE: Final = 0.15
MOST_GROWN: Final = 1.1  # of a side: wood that came dry swells by less; our own judgement, no source
LEAST_LEFT: Final = 0.8  # of a side: no wood of the table shrinks by more; our own judgement, no source
USUAL_SHARE: Final = 0.15  # of density, beyond which a weight is asked about: our own judgement, no source
# sides and lengths of timbers, in mm: our own judgement, no source
SIDE_MM: Final = (12.0, 3000.0)
USUAL_SIDE_MM: Final = (25.0, 1200.0)
LENGTH_MM: Final = (100.0, 60_000.0)
USUAL_LENGTH_MM: Final = (300.0, 20_000.0)


class Level(StrEnum):
    """How far something is from what can be."""

    UNLIKELY = "unlikely"
    IMPOSSIBLE = "impossible"


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing that speaks against what was said.

    Parameters
    ----------
    level : Level
        Unlikely, or impossible.
    reason : Reason
        What, with the limit.
    """

    level: Level
    reason: Reason


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What one timber can weigh and hold.

    Parameters
    ----------
    lightest_kg, heaviest_kg : float
        Oven-dry in the lightest tree, every pore full in the heaviest, with what sizes and scale add. [kg]
    light_kg, heavy_kg : float
        Beyond these a weight is asked about. [kg]
    wettest_pct : float
        Every pore full in the lightest tree. [% of oven-dry mass]
    width_mm, depth_mm : (float, float)
        The least that the section shrinks to and the most that it swells to. [mm]
    """

    lightest_kg: float
    heaviest_kg: float
    light_kg: float
    heavy_kg: float
    wettest_pct: float
    width_mm: tuple[float, float]
    depth_mm: tuple[float, float]

    def size_mm(self, quantity: Quantity) -> tuple[float, float]:
        """Return between what a width or a depth lies, [mm]."""
        return self.width_mm if quantity is Quantity.WIDTH else self.depth_mm


Expected = tuple[float, float, float]  # of the forecast at the pin tips: 5, 50 and 95 % quantile


def limits(timber: Timber, wood: Species) -> Limits:
    """Return what a timber can weigh, how wet it can be and what it can measure.

    Parameters
    ----------
    timber : Timber
        With the size that it has. [mm]
    wood : Species
        Its wood.

    Returns
    -------
    Limits
        Weights in kg, the moisture in %, sizes in mm.

    References
    ----------
    Wood Handbook, FPL-GTR-282 (2021), eq. 4-3 (the most that wood holds) and chapter 5 (spread of density,
    from memory); the share for sizes and scale: our own judgement, no source.
    """

    def full_kg(share: float) -> float:
        dense = min(wood.basic_density_kg_m3 * (1 + share), 1500.0)
        most = gravimetric.max_mc_pct(dense)
        return float(gravimetric.green_mass_kg(timber.section, timber.length_mm, most, dense))

    basic = wood.basic_density_kg_m3
    dry_kg = float(gravimetric.green_mass_kg(timber.section, timber.length_mm, 0.0, basic))
    return Limits(
        lightest_kg=dry_kg * (1 - DENSITY_SHARE) * (1 - SIZE_SHARE),
        heaviest_kg=full_kg(DENSITY_SHARE) * (1 + SIZE_SHARE),
        light_kg=dry_kg * (1 - USUAL_SHARE),
        heavy_kg=full_kg(USUAL_SHARE),
        wettest_pct=float(gravimetric.max_mc_pct(basic * (1 - DENSITY_SHARE))),
        width_mm=(LEAST_LEFT * timber.section.width_mm, MOST_GROWN * timber.section.width_mm),
        depth_mm=(LEAST_LEFT * timber.section.depth_mm, MOST_GROWN * timber.section.depth_mm),
    )


def beyond(reading: Reading) -> Reason | None:
    """Return that a value lies outside what its quantity can be, whatever it belongs to, or None."""
    quantity, value = reading.series.quantity, reading.value
    low, high = SPECS[quantity].possible
    if low <= value <= high:
        return None
    return Reason(code="plausible.beyond", values={**_number(reading), "low": low, "high": high})


def looks_like_ratio(reading: Reading) -> bool:
    """Whether a percentage looks like a share of one: 0.82 for 82 %RH."""
    return reading.series.quantity in {Quantity.MOISTURE, Quantity.HUMIDITY} and 0 < reading.value <= RATIO


def in_timber(reading: Reading, timber: Timber, can: Limits, *, tare_kg: float = 0.0) -> Reason | None:
    """Return why a reading is impossible in this timber, with the limit, or None.

    Parameters
    ----------
    reading : Reading
        Of this timber.
    timber : Timber
        With the size that it had then. [mm]
    can : Limits
        As `limits` gives it.
    tare_kg : float
        Slings and pallet that are weighed with it. [kg]
    """
    series, value = reading.series, reading.value
    if series.quantity in AT_DEPTH and series.depth_mm is not None:
        side_mm = timber.section.size_mm(series.face)
        if series.depth_mm > side_mm:
            return Reason(code="plausible.too_deep", values={"pin_mm": series.depth_mm, "side_mm": side_mm})
    if series.from_end_mm is not None and series.from_end_mm > timber.length_mm:
        values: Values = {"from_end_mm": series.from_end_mm, "length_mm": timber.length_mm}
        return Reason(code="plausible.past_the_end", values=values)
    if series.quantity in SIZES:
        least_mm, most_mm = can.size_mm(series.quantity)
        if not least_mm <= value <= most_mm:
            values = {"what": series.quantity.value, "mm": value, "least_mm": least_mm, "most_mm": most_mm}
            return Reason(code="plausible.no_such_size", values=values)
    if series.quantity is Quantity.MOISTURE and value > can.wettest_pct:
        values = {"mc_pct": value, "most_pct": can.wettest_pct, "species": timber.species}
        return Reason(code="plausible.pores_full", values=values)
    if series.quantity is Quantity.WEIGHT:
        heaviest_kg = can.heaviest_kg + tare_kg
        if not can.lightest_kg <= value <= heaviest_kg:
            values = {"kg": value, "lightest_kg": can.lightest_kg, "heaviest_kg": heaviest_kg}
            return Reason(code="plausible.no_such_weight", values={**values, "species": timber.species})
    return None


def of_reading(  # noqa: PLR0913 - each knows another thing
    reading: Reading,
    *,
    timber: Timber | None = None,
    wood: Species | None = None,
    earlier: Sequence[Reading] = (),
    tare_kg: float = 0.0,
    expected: Expected | None = None,
) -> tuple[Finding, ...]:
    """Return what speaks against a reading.

    Parameters
    ----------
    reading : Reading
        As understood.
    timber : Timber, optional
        The timber that it belongs to, with the size that it had then; None for air. [mm]
    wood : Species, optional
        Its wood; needed with a timber.
    earlier : sequence of Reading
        Readings of the same timber or place that it is held against; weights from before a cut do not belong
        here.
    tare_kg : float
        Slings and pallet that are weighed with it. [kg]
    expected : (float, float, float), optional
        What the forecast expects at the pin tips: 5, 50 and 95 % quantile. [%]

    Returns
    -------
    tuple of Finding
        None where nothing speaks against it, one where it is impossible, else all that is unlikely.

    References
    ----------
    As in `limits`; the other limits are common practice and our own, without a source.
    """
    impossible = beyond(reading)
    if impossible is None and timber is not None and wood is not None:
        impossible = in_timber(reading, timber, limits(timber, wood), tare_kg=tare_kg)
    if impossible is not None:
        return (Finding(level=Level.IMPOSSIBLE, reason=impossible),)
    same = [one for one in earlier if one.series == reading.series]
    doubts: list[Reason | None] = [_twice(reading, same), _alone(reading)]
    if timber is not None:
        doubts.append(_before_arrival(reading, timber))
    if reading.series.quantity is Quantity.WEIGHT:
        if timber is not None and wood is not None:
            doubts.append(_odd_weight(reading, limits(timber, wood), tare_kg, timber.species))
        doubts.append(_beside(reading, same))
    if reading.series.quantity is Quantity.MOISTURE and expected is not None and doubts[1] is None:
        doubts.append(_far(reading.value, expected))
    return tuple(Finding(level=Level.UNLIKELY, reason=each) for each in doubts if each is not None)


def hint(reading: Reading, *, earlier: Iterable[Reading] = (), expected: Expected | None = None) -> Reason:
    """Return what a number that nothing speaks against is held against: the forecast, or the last weight."""
    if reading.series.quantity is Quantity.WEIGHT:
        last = _last(reading, [one for one in earlier if one.series == reading.series])
        if last is None:
            return Reason(code="plausible.first_weight")
        return Reason(code="plausible.weight_fits", values=_since(reading, last))
    if expected is None:
        return Reason(code="plausible.no_forecast")
    values = _of_forecast(reading.value, expected)
    return Reason(code="plausible.wet" if reading.value > FSP_PCT else "plausible.as_expected", values=values)


def of_timber(timber: Timber) -> tuple[Finding, ...]:
    """Return what speaks against the sizes of a timber: those of another unit, first of all.

    Parameters
    ----------
    timber : Timber
        As understood. [mm]

    Returns
    -------
    tuple of Finding
        At most one for the section and one for the length.

    References
    ----------
    The limits are our own judgement, no source.
    """
    width_mm, depth_mm = timber.section.width_mm, timber.section.depth_mm
    found = []
    size: Values = {"width_mm": width_mm, "depth_mm": depth_mm, "low_mm": SIDE_MM[0], "high_mm": SIDE_MM[1]}
    least, most = min(width_mm, depth_mm), max(width_mm, depth_mm)
    if (level := _level(least, most, SIDE_MM, USUAL_SIDE_MM)) is not None:
        found.append(Finding(level=level, reason=Reason(code="plausible.size", values=size)))
    long_mm = timber.length_mm
    if (level := _level(long_mm, long_mm, LENGTH_MM, USUAL_LENGTH_MM)) is not None or long_mm < most:
        values: Values = {"length_mm": long_mm, "low_mm": LENGTH_MM[0], "high_mm": LENGTH_MM[1]}
        reason = Reason(code="plausible.length", values={**values, "side_mm": most})
        found.append(Finding(level=level or Level.UNLIKELY, reason=reason))
    return tuple(found)


def _level(least: float, most: float, can: tuple[float, float], usual: tuple[float, float]) -> Level | None:
    if least < can[0] or most > can[1]:
        return Level.IMPOSSIBLE
    return Level.UNLIKELY if least < usual[0] or most > usual[1] else None


def _number(reading: Reading) -> dict[str, str | float]:
    return {"quantity": reading.series.quantity.value, "value": reading.value, "unit": reading.unit}


def _alone(reading: Reading) -> Reason | None:
    if looks_like_ratio(reading):
        return Reason(code="plausible.ratio", values=_number(reading))
    if reading.series.quantity is Quantity.HUMIDITY and reading.value > SATURATED_RH:
        held: Values = {"rh_pct": reading.value, "most_pct": SATURATED_RH}
        return Reason(code="plausible.over_saturated", values=held)
    if reading.series.quantity is Quantity.MOISTURE:
        if reading.value < BELOW_METER_PCT:
            return Reason(code="plausible.below_meter", values={"mc_pct": reading.value})
        if reading.value > MOST_SHOWN_PCT:
            values: Values = {"mc_pct": reading.value, "most_pct": MOST_SHOWN_PCT}
            return Reason(code="plausible.over_scale", values=values)
    return None


def _before_arrival(reading: Reading, timber: Timber) -> Reason | None:
    if reading.taken_utc >= timber.arrived_utc - BEFORE:
        return None
    values: Values = {"tag": timber.tag, "taken_utc": reading.taken_utc, "arrived_utc": timber.arrived_utc}
    return Reason(code="plausible.before_arrival", values=values)


def _twice(reading: Reading, same: Sequence[Reading]) -> Reason | None:
    """Return that the same number of the same series stands there from about the same time."""
    if reading.series.owner is Owner.AIR:  # air may well be the same again
        return None
    for one in same:
        apart = abs(one.taken_utc - reading.taken_utc)
        if one.value == reading.value and timedelta(0) < apart < TWICE:
            return Reason(code="plausible.twice", values={"taken_utc": one.taken_utc})
    return None


def _odd_weight(reading: Reading, can: Limits, tare_kg: float, species: str) -> Reason | None:
    if can.light_kg <= reading.value <= can.heavy_kg + tare_kg:
        return None
    values: Values = {"kg": reading.value, "light_kg": can.light_kg, "heavy_kg": can.heavy_kg + tare_kg}
    return Reason(code="plausible.odd_weight", values={**values, "species": species})


def _last(reading: Reading, same: Sequence[Reading]) -> Reading | None:
    before = [one for one in same if one.taken_utc < reading.taken_utc]
    return max(before, key=lambda one: one.taken_utc, default=None)


def _since(reading: Reading, last: Reading) -> dict[str, float]:
    ago_s = (reading.taken_utc - last.taken_utc).total_seconds()
    return {"last_kg": last.value, "ago_s": ago_s, "share": reading.value / last.value}


def _beside(reading: Reading, same: Sequence[Reading]) -> Reason | None:
    last = _last(reading, same)
    if last is None:
        return None
    values = _since(reading, last)
    if values["share"] > HEAVIER:
        return Reason(code="plausible.heavier", values=values)
    if 1 - values["share"] > max(LEAST_LOSS, LOSS_A_DAY * values["ago_s"] / 86_400):
        return Reason(code="plausible.fast_loss", values=values)
    return None


def _of_forecast(mc_pct: float, expected: Expected) -> Values:
    return {"mc_pct": mc_pct, "expected_pct": expected, "fsp_pct": FSP_PCT}


def _far(mc_pct: float, expected: Expected) -> Reason | None:
    low, median, high = expected
    values = _of_forecast(mc_pct, expected)
    if mc_pct > FSP_PCT:
        dry = high < FSP_PCT - 2 * PIN_SD_PCT
        return Reason(code="plausible.too_wet", values=values) if dry else None
    away = abs(mc_pct - min(median, FSP_PCT + PIN_SD_PCT))
    sd = float(np.hypot((high - low) / 3.29, PIN_SD_PCT))
    return Reason(code="plausible.far", values=values) if away > FAR * sd else None
