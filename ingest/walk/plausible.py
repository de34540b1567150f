"""Whether a reading of a walk is likely: what the page's hint and the walk ask, in one place."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

import numpy as np

from baulk.ingest.evaluation.document import Document, Interval
from baulk.models.quantity import Quantity
from baulk.models.reading import AT_LEAST, Reading
from baulk.models.reason import Reason, Values
from baulk.models.section import Face
from baulk.models.timber import Timber

FSP_PCT: Final = 30.0  # above it a pin meter's number means only "at least"
PIN_SD_PCT: Final = 2.0  # one pin pair against the wood about it, as in the fit
FAR: Final = 3.0  # standard deviations
HEAVIER: Final = 1.02  # of the last weight; rain aside, a drying timber gets no heavier
LOSS_A_DAY: Final = 0.012  # of its weight; a thin board in summer loses that, common practice, no source
LEAST_LOSS: Final = 0.03
MOST_SHOWN_PCT: Final = 100.0  # no scale of a pin meter goes on beyond it: common practice, no source
MOST_PCT: Final = 400.0  # of the store


@dataclass(frozen=True, slots=True, kw_only=True)
class About:
    """What a reading of one timber is held against.

    Parameters
    ----------
    timber : Timber
        The piece.
    answer : Document or None
        Its last evaluation, if it has one.
    latest : sequence of Reading
        The newest reading of each of its series.
    """

    timber: Timber
    answer: Document | None
    latest: Sequence[Reading]


def doubt(reading: Reading, about: About) -> Reason | None:
    """Return why a reading is unlikely, or None where nothing speaks against it."""
    if reading.series.quantity is Quantity.WEIGHT:
        likely, why = of_weight(about.latest, reading.value, reading.taken_utc)
    elif reading.series.quantity is Quantity.MOISTURE:
        if AT_LEAST in reading.flags:
            return _too_dry_for(reading, about)
        if reading.value > MOST_SHOWN_PCT:
            return Reason(code="plausible.no_moisture", values={"mc_pct": reading.value})
        deep = reading.series.depth_mm or 0.0
        likely, why = of_pins(about.answer, about.timber, reading.value, deep, reading.series.face)
    else:
        return None
    return None if likely else why


def _too_dry_for(reading: Reading, about: About) -> Reason | None:
    """Return that the wood should be far drier than where the scale ended; wetter it may be by any amount."""
    series = reading.series
    if about.answer is None:
        return None
    there = expected_pct(about.answer, about.timber, series.depth_mm or 0.0, series.face)
    if there.high + FAR * PIN_SD_PCT >= min(reading.value, FSP_PCT):
        return None
    values: Values = {"mc_pct": reading.value, "fsp_pct": FSP_PCT}
    expected = (there.low, there.median, there.high)
    return Reason(code="plausible.too_wet", values={**values, "expected_pct": expected})


def expected_pct(answer: Document, timber: Timber, depth_mm: float, face: Face | None) -> Interval:
    """Return what the model expects at the pin tips, with its 5-95 % range, in percent.

    Parameters
    ----------
    answer : Document
        The timber's last evaluation.
    timber : Timber
        The piece.
    depth_mm : float
        Depth of the tips below the face. [mm]
    face : Face or None
        The face; without one the middle of all four is given.

    Raises
    ------
    OutOfRange
        If the pins would come out on the other side.
    """
    timber.section.refuse_depth(depth_mm, face)
    field = answer.field_now
    x, y = np.asarray(field.x_edges_mm), np.asarray(field.y_edges_mm)
    found = []
    for each in [face] if face else list(Face):
        px, py = timber.section.pin_tip_mm(depth_mm, each)
        column = int(np.clip(np.searchsorted(x, px) - 1, 0, len(x) - 2))
        row = int(np.clip(np.searchsorted(y, py) - 1, 0, len(y) - 2))
        found.append((field.median_pct[row][column], field.sd_pct[row][column]))
    middle = float(np.mean([mc for mc, _ in found]))
    sd = float(np.mean([sd for _, sd in found]))
    return Interval(median=middle, low=middle - 1.645 * sd, high=middle + 1.645 * sd)


def of_pins(
    answer: Document | None, timber: Timber, mc_pct: float, depth_mm: float, face: Face | None
) -> tuple[bool, Reason]:
    """Return whether a pin reading is plausible, and what speaks for or against it.

    Parameters
    ----------
    answer : Document or None
        The timber's last evaluation, if it has one.
    timber : Timber
        The piece.
    mc_pct : float
        What the meter shows. [%]
    depth_mm : float
        Depth of the tips below the face. [mm]
    face : Face or None
        The face, where it is known.
    """
    value = {"mc_pct": mc_pct}
    if not 0 < mc_pct < MOST_PCT:
        return False, Reason(code="plausible.no_moisture", values=value)
    if mc_pct < 5:
        return False, Reason(code="plausible.below_meter", values=value)
    side_mm = _side_mm(timber, face)
    if not 0 <= depth_mm <= side_mm:
        return False, Reason(code="plausible.too_deep", values={"pin_mm": depth_mm, "side_mm": side_mm})
    if answer is None:
        return True, Reason(code="plausible.no_forecast")
    there = expected_pct(answer, timber, depth_mm, face)
    values: Values = {**value, "expected_pct": (there.low, there.median, there.high), "fsp_pct": FSP_PCT}
    if mc_pct > FSP_PCT:
        dry = there.high < FSP_PCT - 2 * PIN_SD_PCT
        return not dry, Reason(code="plausible.too_wet" if dry else "plausible.wet", values=values)
    away = abs(mc_pct - min(there.median, FSP_PCT + PIN_SD_PCT))
    sd = float(np.hypot((there.high - there.low) / 3.29, PIN_SD_PCT))
    far = away > FAR * sd
    return not far, Reason(code="plausible.far" if far else "plausible.as_expected", values=values)


def of_weight(latest: Sequence[Reading], weight_kg: float, now: datetime) -> tuple[bool, Reason]:
    """Return whether a weight is plausible beside the last one, and what speaks for or against it.

    Parameters
    ----------
    latest : sequence of Reading
        The newest reading of each series of the timber.
    weight_kg : float
        What the scale shows. [kg]
    now : datetime
        Now, with a time zone.
    """
    last = next((each for each in latest if each.series.quantity is Quantity.WEIGHT), None)
    if last is None:
        return True, Reason(code="plausible.first_weight")
    ago_s = max(0.0, (now - last.taken_utc).total_seconds())
    values: Values = {"last_kg": last.value, "ago_s": ago_s}
    share = weight_kg / last.value
    if share > HEAVIER:
        return False, Reason(code="plausible.heavier", values=values)
    if 1 - share > max(LEAST_LOSS, LOSS_A_DAY * ago_s / 86_400):
        return False, Reason(code="plausible.fast_loss", values=values)
    return True, Reason(code="plausible.weight_fits", values=values)


def _side_mm(timber: Timber, face: Face | None) -> float:
    """Return how far it is from a face to the opposite one; without a face, the smaller side."""
    width_mm, depth_mm = timber.section.width_mm, timber.section.depth_mm
    if face is None:
        return min(width_mm, depth_mm)
    return depth_mm if face in {Face.A, Face.C} else width_mm
