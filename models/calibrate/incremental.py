"""New readings taken into a fit that is there already, without drying the timber again from its arrival.

The members are dried from where the last fit left them to the new readings; one step of the ensemble filter
then draws their parameters, their moisture now and their course so far together. That is exact for a linear
model and Gaussian errors; ours is neither, so after `MOST_UPDATES` readings, a month, or anything but a plain
new reading the whole fit is made again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from baulk.models import digest
from baulk.models.calibrate import diagnostics, ensemble, measured_size, parameters
from baulk.models.calibrate.assimilation import LONE_WOLF, drawn, errors, lone, predict, shallow
from baulk.models.calibrate.inputs import FitInputs
from baulk.models.calibrate.observations import observations
from baulk.models.calibrate.result import Calibration, Fitted, depth_profiles_pct
from baulk.models.calibrate.screening import Observation
from baulk.models.columns import Columns, Readings, columns_of
from baulk.models.constants import DAY_S, Floats
from baulk.models.field import MoistureField
from baulk.models.meter.profile import Corrections
from baulk.models.quantity import AT_DEPTH, Quantity
from baulk.models.reason import Reason
from baulk.models.timber import Event, EventKind, Timber

MOST_UPDATES: Final = 10  # days with new readings between two whole fits; our own judgement, no source
MOST_DAYS: Final = 30.0  # and time between them; our own judgement, no source
LEAST_USED: Final = 10  # readings before a fit is settled enough; our own judgement, no source
_LOOK_BACK_S: Final = 30 * DAY_S  # of pins before the last fit, for jumps
_TELLING: Final = frozenset(
    {
        EventKind.TURNED,
        EventKind.END_SEALED,
        EventKind.COATED,
        EventKind.STICKERED,
        EventKind.CUT,
        EventKind.PLANED,
        EventKind.KERFED,
        EventKind.OVEN_DRIED,
        EventKind.TARED,
        EventKind.MEASURED,
        EventKind.CHECKED,
    }
)


def seen(
    timber: Timber,
    events: Sequence[Event],
    corrections: Corrections,
    readings: Readings,
    upto_s: float,
) -> str:
    """Return a short text that changes when anything that a fit rests on changes.

    Parameters
    ----------
    timber : Timber
        As it stands.
    events : sequence of Event
        Its events; only those that the fit looks at count.
    corrections : sequence of MeterSetting
        The shop's meters.
    readings : Columns or iterable of Reading
        In any order.
    upto_s : float
        Later readings do not count. [s]

    Returns
    -------
    str
        32 hexadecimal digits.
    """
    rows = columns_of(readings)
    return digest.of(
        replace(timber, tag=""),  # what it is called tells nothing of the wood
        tuple(corrections),
        digest.readings(rows[rows.taken_s <= upto_s]),
        digest.events(events, _TELLING),
    )


def due(  # noqa: PLR0911, PLR0913, PLR0917 - all that a fit rests on
    previous: Calibration,
    timber: Timber,
    events: Sequence[Event],
    corrections: Corrections,
    readings: Readings,
    now_s: float,
) -> Reason | None:
    """Return why a whole fit is due, if it is.

    Parameters
    ----------
    previous : Calibration
        The last answer.
    timber, events, corrections, readings
        As `calibrate.fit` takes them.
    now_s : float
        Present moment. [s]

    Returns
    -------
    Reason or None
        None where `calibrate.update` will do.
    """
    then_s = previous.field_now.posix_s
    if now_s < then_s:
        return Reason(code="whole_fit.in_future")
    if previous.used < LEAST_USED:
        return Reason(code="whole_fit.few_readings", values={"used": previous.used})
    if previous.stepped_posix_s is not None:
        return Reason(code="whole_fit.stepped")
    if previous.contradiction is not None:
        return Reason(code="whole_fit.contradiction")
    if previous.suspected:
        return Reason(code="whole_fit.left_out", values={"series": previous.suspected[0]})
    if previous.updates >= MOST_UPDATES:
        return Reason(code="whole_fit.many_updates", values={"updates": previous.updates})
    if now_s - previous.fitted_posix_s > MOST_DAYS * DAY_S:
        return Reason(code="whole_fit.old", values={"days": (now_s - previous.fitted_posix_s) / DAY_S})
    if previous.seen != seen(timber, events, corrections, readings, then_s):
        return Reason(code="whole_fit.changed")
    return None


def taken_in(
    previous: Calibration, given: FitInputs, readings: Readings, *, seed: int
) -> Calibration | Reason:
    """Take the readings since the last answer into it.

    Parameters
    ----------
    previous : Calibration
        The last answer, for which `due` has said nothing.
    given : FitInputs
        What a fit looks at, now.
    readings : Columns or iterable of Reading
        Every reading.
    seed : int
        As in `calibrate.fit`.

    Returns
    -------
    Calibration or Reason
        The new answer, or why only a whole fit will do.
    """
    then_s = previous.field_now.posix_s
    rows = columns_of(readings)
    recent = rows[rows.of_quantity(Quantity.WEIGHT) | (rows.taken_s > then_s - _LOOK_BACK_S)]
    gathered = observations(given, recent, thin=False)
    known = {(each.series, int(each.posix_s // DAY_S)) for each in previous.readings}
    data = [each for each in gathered.data if each.posix_s > then_s and (each.series, each.day) not in known]
    if why := _unfit(previous, data, recent, known):
        return why
    at_s = [*(each.posix_s for each in data), given.now_s]
    run = ensemble.run(previous.theta, given, at_s, start=previous.field_now, near_faces=shallow(data))
    if not data:
        return _moved_on(previous, given, run, at_s)
    anchor = previous.anchor
    first = None if anchor is None else {anchor.segment: (anchor.posix_s, anchor.mean_pct)}
    count: dict[str, int] = {}
    for one in previous.readings:
        count[one.series] = count.get(one.series, 0) + (one.left_out is None)
    predicted, sd_pct = predict(data, run, previous.theta, given, first), errors(data, count)
    if np.any(lone(predicted, data, sd_pct)[1] > LONE_WOLF):
        return Reason(code="whole_fit.outlier")
    moved = _moved_on(previous, given, run, at_s)
    return _drawn(moved, given, data, predicted, sd_pct, np.random.default_rng([seed, previous.updates + 1]))


def _unfit(
    previous: Calibration,
    data: Sequence[Observation],
    recent: Columns,
    known: set[tuple[str, int]],
) -> Reason | None:
    """Return why the new readings need a whole fit."""
    then_s = previous.field_now.posix_s
    new = recent[recent.of_quantity(*AT_DEPTH, Quantity.WEIGHT) & (recent.taken_s > then_s)]
    days = (new.taken_s // DAY_S).astype(np.int64).tolist()
    raw = {(new.names[of], day) for of, day in zip(new.of.tolist(), days, strict=True)} - known
    if raw - {(each.series, each.day) for each in data if not each.aside}:
        return Reason(code="whole_fit.unusable")
    anchor = previous.anchor
    for each in data:
        if each.weight_ratio is not None and (
            anchor is None
            or each.segment != anchor.segment
            or each.kg is None
            or abs(each.kg / each.weight_ratio / anchor.kg - 1) > 1e-6
        ):
            return Reason(code="whole_fit.new_weights")
    return None


def _moved_on(
    previous: Calibration, given: FitInputs, run: Sequence[MoistureField], at_s: Sequence[float]
) -> Calibration:
    """Return the last answer with its members dried on to now."""
    then_s = previous.field_now.posix_s
    fields = {float(one): field for one, field in zip(at_s, run, strict=True) if one > then_s}
    course = list(fields.values())
    return replace(
        previous,
        field_now=replace(run[-1], near_faces=None),
        history_posix_s=np.append(previous.history_posix_s, list(fields)),
        history_mean_pct=np.vstack([previous.history_mean_pct, *(each.mean_pct[None] for each in course)]),
        history_core_pct=np.vstack([previous.history_core_pct, *(each.core_pct[None] for each in course)]),
        history_depth_pct=np.vstack(
            [previous.history_depth_pct, depth_profiles_pct(course, previous.depths_mm)]
        ),
        notes=(
            *given.past.said,
            *diagnostics.notes(previous.readings, given.now_s),
            *measured_size.reasons(previous.theta, previous.sizes),
        ),
        covers=given.past.covers,
        why_whole=None,
    )


def _drawn(  # noqa: PLR0913, PLR0917 - a step of the filter
    moved: Calibration,
    given: FitInputs,
    data: Sequence[Observation],
    predicted: Floats,
    sd_pct: Floats,
    rng: np.random.Generator,
) -> Calibration:
    """Draw parameters, moisture now, course and what was predicted together."""
    field, anchor = moved.field_now, moved.anchor
    parts = [
        moved.theta,
        field.mc_pct.reshape(field.mc_pct.shape[0], -1).T,
        moved.history_mean_pct,
        moved.history_core_pct,
        predicted,
        *([] if anchor is None else [anchor.mean_pct[None]]),
    ]
    state = drawn(np.vstack(parts), predicted, data, sd_pct, rng, times=1.0)
    bounds = np.cumsum([len(each) for each in parts])[:-1]
    theta, cells, mean, core, said, *at_first = np.split(state, bounds)
    theta = parameters.bounded(theta, parameters.middle(given.timber, given.species, given.law))
    off, away = lone(said, data, sd_pct)
    fitted: tuple[Fitted, ...] = (*moved.readings, *diagnostics.beside(data, said, off, away))
    return replace(
        moved,
        members=parameters.members(theta),
        meter_bias_pct=theta[parameters.BIAS],
        used=moved.used + len(data),
        field_now=replace(
            field,
            mc_pct=np.clip(cells.T, 0.0, given.law.most_pct).reshape(field.mc_pct.shape),
            potential=parameters.potential(theta),
        ),
        readings=fitted,
        history_mean_pct=mean,
        history_core_pct=core,
        notes=(
            *given.past.said,
            *diagnostics.notes(fitted, given.now_s),
            *measured_size.reasons(theta, moved.sizes),
        ),
        theta=theta,
        anchor=anchor and replace(anchor, mean_pct=at_first[0][0]),
        updates=moved.updates + 1,
    )
