"""Weights as series that nothing was taken off: tares, cuts, planing, and falls faster than wood can dry.

A weight tells moisture only against another weight of the same piece. A cut or a planing closes the series
and opens a new one. Where the weights just before and after a cut are known, the new one is told in the old
one's kilograms, for a length cut off is as wet as what is left; after planing it is not, for what is taken
off is the driest of the wood, and the two series stay apart.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import median
from typing import Final

import numpy as np

from baulk.models.calibrate.inputs import FitInputs, History
from baulk.models.columns import Readings, columns_of
from baulk.models.constants import DAY_S, Floats
from baulk.models.diffusion import DiffusionLaw
from baulk.models.face_cover import CONDUCTANCE_M_S, FaceCover
from baulk.models.openings import as_sawn
from baulk.models.quantity import Quantity
from baulk.models.reason import Reason, Value, utc
from baulk.models.section import Section
from baulk.models.species import SpeciesTable
from baulk.models.timber import Event, EventKind

WEIGHT_SD_SHARE: Final = 0.006  # of the weight: scale, end drying, dirt; common practice, no source
WEIGHT_MISREAD: Final = 1.5  # times its neighbours: green to dry is less than that within a few weighings
FASTER: Final = 4.0  # times the likely D and surface: two sd of the prior; our own judgement, no source
GAIN_SHARE: Final = 0.04  # of the weight, by rain and damp air; our own judgement, no source
LEAST_STEP: Final = 3  # weights beyond a step that open a series; our own judgement, no source
EVENT_SEGMENT: Final = 1000  # series that an event opens are numbered by it, those a step opens in between


@dataclass(frozen=True, slots=True, kw_only=True)
class Weight:
    """One day's weight of the timber.

    Parameters
    ----------
    posix_s : float
        Middle moment of the day's weighings. [s]
    kg : float
        Net of its tare, told in the kilograms of its series' first weight. [kg]
    segment : int
        Weights of one segment are of one piece.
    shown_kg : float
        As weighed. [kg]
    """

    posix_s: float
    kg: float
    segment: int
    shown_kg: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """How wet and how quick the timber can be.

    Parameters
    ----------
    section : Section
        For its faces. [mm]
    law : DiffusionLaw
        Likely diffusion.
    wettest_pct : float
        The most its moisture content can have been at the first weight. [%]
    begun_s : float
        Its arrival. [s]
    """

    section: Section
    law: DiffusionLaw
    wettest_pct: float
    begun_s: float

    def most_lost_share(self, from_s: float, to_s: float) -> float:
        """Return the share of the weight that the faces can give off between two moments.

        From a wet start, in dry air, no quicker than water comes up (square root of time) or leaves the
        faces. Of the time since its arrival a quarter counts as drying: it may have lain in damp air first.
        """
        seconds, before = max(to_s - from_s, 3600.0), max(from_s - self.begun_s, 0.0) / 4
        per_m = 2000 * (1 / self.section.width_mm + 1 / self.section.depth_mm)
        d_m2_s = FASTER * float(self.law.d_m2_s(self.law.fsp_pct, 25.0)) * self.law.sapwood_raised
        through = 2 * (d_m2_s / np.pi) ** 0.5 * ((before + seconds) ** 0.5 - before**0.5)
        off = FASTER * CONDUCTANCE_M_S[FaceCover.EXPOSED] * seconds
        share = min(float(per_m * min(through, off)), 1.0)
        return share * self.wettest_pct / (100 + self.wettest_pct) + 3 * WEIGHT_SD_SHARE


def weights(
    taken: Sequence[tuple[float, float]], past: History, limits: Limits
) -> tuple[list[Weight], list[Reason], list[Reason]]:
    """Gather the weights of one timber into series of one piece each.

    Parameters
    ----------
    taken : sequence of (float, float)
        Moments and weights as weighed. [s, kg]
    past : History
        For tares, cuts and planing.
    limits : Limits
        What can be.

    Returns
    -------
    weights : list of Weight
        Usable ones, in order of time; a segment of a single one is left out.
    refused : list of Reason
        Why single weights were set aside.
    said : list of Reason
        What was done about cuts and steps.
    """
    every = sorted(_entered(past) + _net(taken, past), key=lambda each: (each.posix_s, each.segment))
    refused: list[Reason] = []
    said: list[Reason] = []
    usable = _readable(every, refused)
    usable = _in_steps(usable, limits, refused, said)
    count: dict[int, int] = {}
    for each in usable:
        count[each.segment] = count.get(each.segment, 0) + 1
    return [each for each in usable if count[each.segment] > 1], refused, said


def _net(taken: Sequence[tuple[float, float]], past: History) -> list[Weight]:
    """Return one weight a day and piece, its tare off."""
    days: dict[tuple[int, int, float], list[tuple[float, float]]] = defaultdict(list)
    for taken_s, shown_kg in taken:
        days[int(taken_s // DAY_S), *_piece(past, taken_s)].append((taken_s, shown_kg))
    found = []
    for (_, segment, factor), group in sorted(days.items()):
        taken_s, shown_kg = median(s for s, _ in group), median(kg for _, kg in group)
        net_kg = (shown_kg - tare_kg(past, taken_s)) * factor
        found.append(Weight(posix_s=taken_s, kg=net_kg, segment=segment, shown_kg=shown_kg))
    return found


def tare_kg(past: History, at_s: float) -> float:
    """Tare that weights at a moment carry, in kg."""
    tares = [each for each in past.kind(EventKind.TARED) if each.at_utc.timestamp() <= at_s]
    return float(tares[-1].detail["tare_kg"]) if tares else 0.0


def _piece(past: History, at_s: float, *, before: bool = False) -> tuple[int, float]:
    """Return the number of the series at a moment and the factor to its first piece's kilograms."""
    segment, factor = 0, 1.0
    for each in past.events:
        event_s = each.at_utc.timestamp()
        if each.kind is EventKind.KERFED and event_s <= at_s and not (before and event_s == at_s):
            factor /= 1 - _sawn_away(past, each)
        if (
            each.kind not in {EventKind.CUT, EventKind.PLANED}
            or event_s > at_s
            or (before and event_s == at_s)
        ):
            continue
        first, after = (float(each.detail.get(name, 0.0)) for name in ("weight_before_kg", "weight_after_kg"))
        if each.kind is EventKind.CUT and first > 0 and after > 0:
            factor *= first / after
        else:
            segment, factor = segment + 1, 1.0
    return EVENT_SEGMENT * segment, factor


def _sawn_away(past: History, event: Event) -> float:
    """Return the share of a timber that went as the dust of a kerf."""
    section, kerf = past.section_at(event.at_utc.timestamp()), as_sawn(event.detail)
    return min(kerf.width_mm * kerf.depth_mm / (section.width_mm * section.depth_mm), 0.5)


def _entered(past: History) -> list[Weight]:
    """Weights that were noted with a cut or a planing: the last of one series and the first of the next."""
    found = []
    for each in past.events:
        if each.kind not in {EventKind.CUT, EventKind.PLANED}:
            continue
        at_s = each.at_utc.timestamp()
        for name, before in (("weight_before_kg", True), ("weight_after_kg", False)):
            kg = float(each.detail.get(name, 0.0))
            if kg > 0:
                segment, factor = _piece(past, at_s, before=before)
                net_kg = (kg - tare_kg(past, at_s)) * factor
                found.append(Weight(posix_s=at_s, kg=net_kg, segment=segment, shown_kg=kg))
    return found


def _readable(every: Sequence[Weight], refused: list[Reason]) -> list[Weight]:
    """Set aside what its neighbours show to be another unit or timber, and what no wood can weigh."""
    kept: list[Weight] = []
    for i, each in enumerate(every):
        near = [one.kg for one in every[max(0, i - 3) : i + 4] if one.segment == each.segment]
        usual_kg = median(near)
        if each.kg <= 0:
            refused.append(Reason(code="calibration.not_above_tare", values={"weight_kg": each.shown_kg}))
        elif not 1 / WEIGHT_MISREAD < each.kg / usual_kg < WEIGHT_MISREAD:
            refused.append(
                Reason(
                    code="calibration.weight_misread",
                    values={"weight_kg": each.shown_kg, "beside_kg": usual_kg},
                )
            )
        else:
            kept.append(each)
    return kept


def _in_steps(
    every: Sequence[Weight], limits: Limits, refused: list[Reason], said: list[Reason]
) -> list[Weight]:
    """Follow each series; part it where it falls or rises for good by more than wood can dry or take up."""
    kept: list[Weight] = []
    for segment in sorted({each.segment for each in every}):
        mine = [each for each in every if each.segment == segment]
        at, number = 0, segment
        last: Weight | None = None
        first_kg = mine[0].kg
        while at < len(mine):
            each = mine[at]
            if last is None or _follows(last, each, limits):
                if segment == 0 and number == 0 and _below_dry(each.kg, first_kg, limits):
                    least_kg = first_kg / (1 + limits.wettest_pct / 100)
                    refused.append(
                        Reason(
                            code="calibration.below_dry_weight",
                            values={"weight_kg": each.shown_kg, "least_kg": least_kg},
                        )
                    )
                else:
                    last = replace(each, segment=number)
                    kept.append(last)
                at += 1
                continue
            back = next(
                (i for i in range(at + 1, len(mine)) if _returns(last, mine[at : i + 1], limits)), None
            )
            lost = mine[at:back]
            if back is not None or len(lost) < LEAST_STEP:
                refused += [_change(last, one, limits) for one in lost]
                at += len(lost)
                continue
            number += 1
            change = _change(last, each, limits)
            said.append(replace(change, values={**change.values, "for_good_since_utc": utc(each.posix_s)}))
            last, first_kg = None, each.kg
    return kept


def _below_dry(kg: float, first_kg: float, limits: Limits) -> bool:
    return kg * (1 + 3 * WEIGHT_SD_SHARE) < first_kg / (1 + limits.wettest_pct / 100)


def _follows(last: Weight, then: Weight, limits: Limits) -> bool:
    change = then.kg / last.kg - 1
    return -limits.most_lost_share(last.posix_s, then.posix_s) <= change <= GAIN_SHARE


def _returns(last: Weight, since: Sequence[Weight], limits: Limits) -> bool:
    """Whether the last of these weights goes on from the one before the step and not from the step."""
    then, beyond = since[-1].kg, since[-2].kg
    return _follows(last, since[-1], limits) and abs(np.log(then / last.kg)) < abs(np.log(then / beyond))


def _change(last: Weight, then: Weight, limits: Limits) -> Reason:
    """Return a change of the weight that no wood makes in the time."""
    told = {"from_kg": last.kg, "to_kg": then.kg, "days": (then.posix_s - last.posix_s) / DAY_S}
    if then.kg > last.kg:
        return Reason(code="calibration.weight_rose", values=told)
    most_share = limits.most_lost_share(last.posix_s, then.posix_s)
    return Reason(code="calibration.weight_fell", values={**told, "most_share": most_share})


# pieces of one wood differ by 10 % (one standard deviation): Wood Handbook, FPL-GTR-282, chapter 5, from
# memory; four of those leave room for a size that is only about right
WITHIN: Final = 0.4
FITS: Final = 0.2  # share within which another unit or wood is said to fit; our own judgement, no source
KG_PER_LB: Final = 0.45359237  # exact, see baulk.models.units
FIRST: Final = 3  # weights; a later one may be of a piece that something was taken off


def impossible(
    given: FitInputs, readings: Readings, history_s: Floats, history_mean_pct: Floats
) -> Reason | None:
    """Tell whether the first weights and the size do not go together, and what would explain it.

    Parameters
    ----------
    given : FitInputs
        The timber and what happened to it.
    readings : Columns or iterable of Reading
        Every reading of it; only its first weights are looked at.
    history_s : ndarray, shape (t,)
        Moments of the history. [s]
    history_mean_pct : ndarray, shape (t, m)
        Mean moisture of the section then, every member: what it may have been. [%]

    Returns
    -------
    Reason or None
        None where some plausible moisture makes them go together, where there is no weight,
        and where something was cut off its length or its section since.
    """
    weighed = sorted(_net_kg(given, readings))[:FIRST]
    if not weighed or any(given.past.kind(kind) for kind in (EventKind.CUT, EventKind.PLANED)):
        return None
    section, timber = given.past.section, given.timber
    volume_m3 = section.width_mm * section.depth_mm * timber.length_mm / 1e9
    told = [_density(kg / volume_m3, history_mean_pct[_at(history_s, at_s)]) for at_s, kg in weighed]
    low, middle, high = (median(each[i] for each in told) for i in range(3))
    usual = given.species.basic_density_kg_m3
    if low <= (1 + WITHIN) * usual and high >= (1 - WITHIN) * usual:
        return None
    return Reason(
        code="calibration.impossible_density",
        values={
            "series": f"timber/{timber.tag}/weight",
            "weight_kg": weighed[0][1],
            "found_kg_m3": (low, middle, high),
            "species": given.species.name,
            "usual_kg_m3": usual,
            "weights_in": _unit_that_fits(middle, usual),
            **_wood_that_fits(middle, given.known_species),
        },
    )


def _net_kg(given: FitInputs, readings: Readings) -> list[tuple[float, float]]:
    rows = columns_of(readings)
    rows = rows[
        rows.of_quantity(Quantity.WEIGHT) & (given.start_s <= rows.taken_s) & (rows.taken_s <= given.now_s)
    ]
    weighed = zip(rows.taken_s.tolist(), rows.value.tolist(), strict=True)
    found = ((at_s, kg - tare_kg(given.past, at_s)) for at_s, kg in weighed)
    return [(at_s, kg) for at_s, kg in found if kg > 0]


def _at(history_s: Floats, at_s: float) -> int:
    return int(np.argmin(np.abs(history_s - at_s)))


def _density(kg_m3: float, mean_pct: Floats) -> tuple[float, float, float]:
    """Return the basic density at the wettest, the middle and the driest that the members hold."""
    wet, middle, dry = (float(each) for each in np.quantile(mean_pct, (1.0, 0.5, 0.0)))
    return kg_m3 / (1 + wet / 100), kg_m3 / (1 + middle / 100), kg_m3 / (1 + dry / 100)


def _unit_that_fits(found: float, usual: float) -> str | None:
    """Return the unit that the weights may have been in: "lb" where they were taken for kilograms."""
    units = ((KG_PER_LB, "lb"), (1 / KG_PER_LB, "kg"))
    return next((unit for factor, unit in units if abs(found * factor / usual - 1) < FITS), None)


def _wood_that_fits(found: float, known: SpeciesTable) -> Mapping[str, Value]:
    """Return the wood of the table that is nearest in density, if it is near."""
    near = min(
        (known.get(name) for name in known.names()), key=lambda one: abs(one.basic_density_kg_m3 / found - 1)
    )
    fits = abs(near.basic_density_kg_m3 / found - 1) < FITS
    return {
        "like_species": near.name if fits else None,
        "like_kg_m3": near.basic_density_kg_m3 if fits else None,
    }
