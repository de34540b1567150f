"""Fit of one timber's drying to its own readings: an ensemble smoother with multiple data assimilation.

What differs from timber to timber stands in `parameters`: how fast its water moves and how that changes
with moisture and temperature, how freely its faces and ends give it off, how wet it came, what its meter adds
and how little it shows above saturation, how its scale drifts, how far its own equilibrium lies from the
table's, and what the model itself gets wrong. Each member draws them from the prior; four assimilations of
the whole record, each with four times the error variance, draw the members toward the readings (Emerick &
Reynolds 2013, Computers & Geosciences 55, 3-15).

What keeps bad readings from spoiling it: a pin above fibre saturation hardly tells one moisture from another,
whatever it shows; readings of one
series and day are one median; a series never counts for more than a few readings, because pins stay where
they were driven; a reading that no member can follow gets a larger error and is named; and where all series
change at once and for good, what came after is set aside and the fit made again. Between whole fits `update`
takes new readings in with one step of an ensemble filter from where the last fit ended.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from baulk.models.air import AirSeries
from baulk.models.calibrate import contradiction, diagnostics, ensemble, measured_size, parameters, weights
from baulk.models.calibrate.assimilation import (
    LONE_WOLF,
    drawn,
    errors,
    firsts,
    lone,
    off_in_moisture,
    predict,
    shallow,
    whole_means,
)
from baulk.models.calibrate.contradiction import Course
from baulk.models.calibrate.diagnostics import Swap, swapped
from baulk.models.calibrate.incremental import due, seen, taken_in
from baulk.models.calibrate.inputs import FitInputs, history, mean_emc_pct
from baulk.models.calibrate.observations import by_density, observations
from baulk.models.calibrate.result import FEWEST, Anchor, Calibration, Fitted, depth_profiles_pct, resume
from baulk.models.calibrate.screening import Observation
from baulk.models.calibrate.suspect_sensors import Suspect, suspect
from baulk.models.columns import Readings, columns_of
from baulk.models.constants import Floats
from baulk.models.diffusion import DiffusionLaw
from baulk.models.errors import OutOfRange
from baulk.models.field import MoistureField
from baulk.models.meter.profile import Corrections, MeterSetting
from baulk.models.reason import Reason
from baulk.models.species import BUILT_IN, Species, SpeciesTable
from baulk.models.timber import Event, Timber
from baulk.models.yard.prior import YardPrior

__all__ = [
    "FEWEST", "LONE_WOLF", "Calibration", "Fitted", "MeterSetting", "Swap", "due", "fit", "resume",
    "swapped", "update",
]  # fmt: skip

ASSIMILATIONS: Final = 4
MOST_SUSPECTS: Final = 2  # series of pins; where more are wrong, nobody can say which; our own judgement
HISTORY_POINTS: Final = 60
DEPTH_SHARES: Final = (0.05, 0.15, 0.3, 0.5, 0.75, 1.0)  # of the half-thickness


def fit(  # noqa: PLR0913 - the contract's own signature
    timber: Timber,
    species: Species,
    readings: Readings,
    air: AirSeries,
    *,
    law: DiffusionLaw,
    now_posix_s: float,
    members: int = 64,
    seed: int = 0,
    events: Sequence[Event] = (),
    corrections: Corrections = (),
    gaps: Sequence[tuple[float, float]] = (),
    yard: YardPrior | None = None,
    known_species: SpeciesTable = BUILT_IN,
    threads: int | None = None,
) -> Calibration:
    """Fit a timber's drying to its readings.

    Parameters
    ----------
    timber : Timber
        The timber as it stands; its arrival is the start.
    species : Species
        Its species.
    readings : Columns or iterable of Reading
        Every reading of it: pins, weights, wood temperatures.
    air : AirSeries
        Air since arrival.
    law : DiffusionLaw
        The species' diffusion law, the middle of the prior.
    now_posix_s : float
        Present moment. [s]
    members : int
        Size of the ensemble.
    seed : int
        Seed of the prior draw, so that the same readings give the same answer.
    events : sequence of Event
        What happened to it: tares, cuts, planing, oven-dried sections, coats, bearers, sealed ends.
    corrections : sequence of MeterSetting
        How the shop's meters are to be read; the first that holds for a series is taken.
    gaps : sequence of (float, float)
        Stretches in which nobody measured the air, beside those where `air` has no values. [s]
    yard : YardPrior, optional
        What the other timbers of the yard have taught; it takes the place of the prior for every timber.
    known_species : SpeciesTable
        The shop's table, searched for the wood that a weight would fit.
    threads : int, optional
        The most that the drying model may use, at least 1; every core if left out. The answer is the same.

    Returns
    -------
    Calibration
        The ensemble and its moisture now. [%]

    Raises
    ------
    OutOfRange
        If the timber is registered wetter than its wood can be.

    References
    ----------
    Emerick, A. A., Reynolds, A. C., 2013. Ensemble smoother with multiple data assimilation. Computers &
    Geosciences 55, 3-15.
    """
    given = inputs_of(
        timber, species, air, law, now_posix_s, events, corrections, gaps, known_species, threads
    )
    readings = columns_of(readings)
    gathered = observations(given, readings)
    data, said, left_out = gathered.data, (*given.past.said, *gathered.said), gathered.left_out
    begun = parameters.prior(timber, species, law, members, np.random.default_rng(seed), yard=yard)
    theta, run, history_s = _fitted(begun, data, given, seed)
    predicted = predict(data, run, theta, given)
    step = diagnostics.lasting_step(data, off_in_moisture(predicted, data, species.fsp_pct))
    parted_s = diagnostics.parted_at(data) if step is None else None
    if parted_s is not None:  # do the pins change with the weight, as a fit without both expects them?
        theta_b, run_b, _ = _fitted(begun, diagnostics.without_after(data, parted_s), given, seed)
        expected = predict(data, run_b, theta_b, given)
        step = diagnostics.lasting_step(data, off_in_moisture(expected, data, species.fsp_pct))
    if step is not None:
        data, left_out = diagnostics.without_after(data, step[0]), (*left_out, step[1])
        theta, run, history_s = _fitted(begun, data, given, seed)
        predicted = predict(data, run, theta, given)
    off, away = lone(predicted, data, errors(data))
    apart = None
    suspects: tuple[Suspect, ...] = ()
    if contradiction.in_tension(data, off, away, theta, begun):
        apart = contradiction.apart(data, begun, given, lambda start, part: _fitted(start, part, given, seed))
    if apart is not None:
        _, theta, run, history_s = apart
    elif step is None and (found := suspect(data, predicted, theta, begun)) is not None:
        data, suspects, (theta, run, history_s) = _trusted(begun, data, found, given, seed)
        left_out = (*left_out, *(each.reason for each in suspects))
    if apart is not None or suspects:
        predicted = predict(data, run, theta, given)
        off, away = lone(predicted, data, errors(data))
    fitted = diagnostics.beside(data, predicted, off, away)
    theta, sizes = measured_size.narrowed(theta, given, readings)
    course = run[len(data) :]
    mean_pct = np.array([each.mean_pct for each in course])
    heavy = weights.impossible(given, readings, history_s, mean_pct)
    half_mm = min(given.past.section.width_mm, given.past.section.depth_mm) / 2
    depths_mm = half_mm * np.array(DEPTH_SHARES)
    return Calibration(
        members=parameters.members(theta),
        meter_bias_pct=theta[parameters.BIAS],
        used=sum(each.left_out is None for each in fitted),
        left_out=(*(() if heavy is None else (heavy,)), *left_out, *diagnostics.named(fitted, data)),
        field_now=replace(course[-1], near_faces=None),  # as a stored fit has it
        readings=fitted,
        history_posix_s=history_s,
        history_mean_pct=mean_pct,
        history_core_pct=np.array([each.core_pct for each in course]),
        weighed=any(each.weight_ratio is not None for each in data),
        notes=(*said, *diagnostics.notes(fitted, now_posix_s), *measured_size.reasons(theta, sizes)),
        sizes=sizes,
        theta=theta,
        depths_mm=depths_mm,
        history_depth_pct=depth_profiles_pct(course, depths_mm),
        anchor=_anchor(data, run, theta, given),
        covers=given.past.covers,
        stepped_posix_s=step and step[0],
        contradiction=apart and apart[0],
        suspected=tuple(name for each in suspects for name in each.every),
        fitted_posix_s=now_posix_s,
        seen=seen(timber, events, corrections, readings, now_posix_s),
    )


def update(  # noqa: PLR0913 - as `fit`
    previous: Calibration,
    timber: Timber,
    species: Species,
    readings: Readings,
    air: AirSeries,
    *,
    law: DiffusionLaw,
    now_posix_s: float,
    members: int = 64,
    seed: int = 0,
    events: Sequence[Event] = (),
    corrections: Corrections = (),
    gaps: Sequence[tuple[float, float]] = (),
    yard: YardPrior | None = None,
    known_species: SpeciesTable = BUILT_IN,
    threads: int | None = None,
) -> Calibration:
    """Take what was read since the last answer into it; where that is not sound, make the whole fit.

    Parameters
    ----------
    previous : Calibration
        The last answer, from `fit`, `update` or `resume`.
    timber, species, readings, air, law, now_posix_s, members, seed, events, corrections, gaps, yard, \
    known_species, threads
        As for `fit`: everything, not only what is new. [-, -, -, -, -, s, -, -, -, -, s, -, -, -]

    Returns
    -------
    Calibration
        The new answer; `updates` counts the steps since the last whole fit, `why_whole` says why one was
        made.

    Raises
    ------
    OutOfRange
        As `fit`.

    References
    ----------
    Evensen, G., 2003. The ensemble Kalman filter: theoretical formulation and practical implementation.
    Ocean Dynamics 53, 343-367 (one step, parameters and state together).
    """
    given = inputs_of(
        timber, species, air, law, now_posix_s, events, corrections, gaps, known_species, threads
    )
    readings = columns_of(readings)
    found: Calibration | Reason | None = due(previous, timber, events, corrections, readings, now_posix_s)
    if previous.theta.shape[1] != members:
        found = Reason(code="whole_fit.members")
    if found is None:
        found = taken_in(previous, given, readings, seed=seed)
    if isinstance(found, Calibration):
        return replace(found, seen=seen(timber, events, corrections, readings, now_posix_s))
    whole = fit(
        timber, species, readings, air, law=law, now_posix_s=now_posix_s, members=members, seed=seed,
        events=events, corrections=corrections, gaps=gaps, yard=yard, known_species=known_species,
        threads=threads,
    )  # fmt: skip
    return replace(whole, why_whole=found)


def inputs_of(  # noqa: PLR0913, PLR0917 - all that a fit looks at
    timber: Timber,
    species: Species,
    air: AirSeries,
    law: DiffusionLaw,
    now_s: float,
    events: Sequence[Event],
    corrections: Corrections,
    gaps: Sequence[tuple[float, float]],
    known_species: SpeciesTable = BUILT_IN,
    threads: int | None = None,
) -> FitInputs:
    """Gather what a fit looks at, or refuse it."""
    if timber.green_mc_pct is not None and timber.green_mc_pct > law.most_pct:
        raise OutOfRange(
            "the green moisture content",
            f"of {timber.green_mc_pct:g} % is more than {species.name} can hold, {law.most_pct:.0f} % with "
            "every pore full; weigh the section again, or correct it or the species",
        )
    start_s = min(timber.arrived_utc.timestamp(), now_s)
    past = history(timber, events, air, start_s=start_s, now_s=now_s, gaps=gaps)
    return FitInputs(
        timber=timber, species=species, law=law, past=past, air=air, corrections=corrections,
        start_s=start_s, now_s=now_s, emc_pct=mean_emc_pct(air, start_s, now_s),
        known_species=known_species, threads=threads,
    )  # fmt: skip


def _fitted(
    begun: Floats, data: Sequence[Observation], given: FitInputs, seed: int
) -> tuple[Floats, tuple[MoistureField, ...], Floats]:
    """Return the ensemble after the readings, its fields at them and through the history, and its moments."""
    theta = _assimilated(begun, data, given, np.random.default_rng([seed, 1]))
    return theta, *_course(theta, data, given)


def _trusted(
    begun: Floats, data: tuple[Observation, ...], first: Suspect, given: FitInputs, seed: int
) -> tuple[tuple[Observation, ...], tuple[Suspect, ...], Course]:
    """Set aside the series of pins that drift or are in other wood, and fit the rest again.

    Of two of which one does, each is set aside for half of the members and none in what is returned.
    """
    found: tuple[Suspect, ...] = ()
    next_one: Suspect | None = first
    while next_one is not None:
        found, bad = (*found, next_one), next_one
        part = [_without(data, name, bad.of_a_reading) for name in bad.every]
        course = _fitted(begun, part[0], given, seed)
        if bad.instead is not None:  # half of the members trust the one, half the other
            return data, found, contradiction.halves(course, _fitted(begun, part[1], given, seed))
        data = part[0]
        theta, run, _ = course
        more = len(found) < MOST_SUSPECTS
        next_one = suspect(data, predict(data, run, theta, given), theta, begun) if more else None
    return data, found, course


def _without(data: Sequence[Observation], series: str, why: Reason) -> tuple[Observation, ...]:
    return tuple(replace(each, aside=each.aside or why) if each.series == series else each for each in data)


def _assimilated(
    theta: Floats, data: Sequence[Observation], given: FitInputs, rng: np.random.Generator
) -> Floats:
    part = [each for each in data if not each.aside]
    if not part:
        return theta
    if (dense := by_density(given, part)) is not None:
        part.append(dense)
    sd_pct, at_s = errors(part), [each.posix_s for each in part]
    centre = parameters.middle(given.timber, given.species, given.law)
    for _ in range(ASSIMILATIONS):
        run = ensemble.run(theta, given, at_s, near_faces=shallow(part))
        predicted = predict(part, run, theta, given)
        theta = parameters.bounded(drawn(theta, predicted, part, sd_pct, rng, times=ASSIMILATIONS), centre)
    return theta


def _course(
    theta: Floats, data: Sequence[Observation], given: FitInputs
) -> tuple[tuple[MoistureField, ...], Floats]:
    """Fields at every reading and then at every moment of the history, and those moments."""
    history_s = np.unique(np.append(np.linspace(given.start_s, given.now_s, HISTORY_POINTS), given.now_s))
    at_s = [*(each.posix_s for each in data), *history_s]
    return ensemble.run(theta, given, at_s, near_faces=shallow(data)), history_s


def _anchor(
    data: Sequence[Observation], run: Sequence[MoistureField], theta: Floats, given: FitInputs
) -> Anchor | None:
    weighed = [i for i, each in enumerate(data) if each.weight_ratio is not None and not each.aside]
    if not weighed:
        return None
    last = data[weighed[-1]]
    i = next(i for i in weighed if data[i].segment == last.segment)
    mean = firsts([data[i]], whole_means([data[i]], [run[i]], theta, given))[last.segment][1]
    first = data[i]
    assert first.kg is not None  # noqa: S101 - a weight has one
    return Anchor(
        posix_s=first.posix_s, kg=first.kg, segment=first.segment, start_pct=first.start_pct, mean_pct=mean
    )
