"""Builders of the document of an evaluation: from the models' results to what is stored.

Numbers are rounded to thousandths; what has a distribution is told by its median and its 90 % interval.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any, Final

import numpy as np
import scipy
from numpy.typing import ArrayLike

from baulk.ingest.evaluation import document
from baulk.ingest.evaluation.document_fields import stored_text
from baulk.ingest.evaluation.inputs import Inputs, Wish
from baulk.models import forecast, text
from baulk.models.allowance.chance import ComesOut
from baulk.models.calibrate import parameters
from baulk.models.calibrate.assimilation import shown_pct
from baulk.models.calibrate.calibration import Calibration
from baulk.models.calibrate.contradiction import Contradiction
from baulk.models.calibrate.measured_form import SizeSeen
from baulk.models.calibrate.result import Fitted
from baulk.models.constants import DAY_S, Floats
from baulk.models.distortion.movement import Movement
from baulk.models.errors import OutOfRange
from baulk.models.field import pins_over
from baulk.models.forecast import Forecast, ReachDates
from baulk.models.reading import Series
from baulk.models.reason import Reason
from baulk.models.surface.margin import Margin
from baulk.models.verdict.chances import Chances
from baulk.models.verdict.decision import Verdict
from baulk.models.verdict.stages import Stage
from baulk.models.yard.prior import YardPrior

PINS_EVERY: Final = 4  # every n-th moment of the forecast is enough to hold readings against
PINS_SINCE_S: Final = 120 * 86_400.0
MOST_PINS: Final = 6


def listing(name: str, reasons: Sequence[Reason], wish: Wish) -> dict[str, Any]:
    """Return a list of reasons as two fields: sentences for the shop, and the reasons themselves.

    Sentences are in the shop's units and by its clock, for whom they reach as they are (messages, exports);
    moments in the reasons and in every other field are UTC. Whoever shows one to a person words the reasons.
    """
    said = text.sentences(reasons, wish.units, zone=wish.clock)
    return {name: said, f"{name}_coded": tuple(reasons)}


def single(name: str, reason: Reason, wish: Wish) -> dict[str, Any]:
    """Return one reason as two fields, as `listing`."""
    return {name: text.sentence(reason, wish.units, zone=wish.clock), f"{name}_coded": reason}


def failed(head: dict[str, Any], why: str) -> document.Failed:
    """Return the document of a timber that could not be evaluated."""
    return document.Failed(**head, **single("failed", stored_text(why), Wish()))


def evaluated(  # noqa: PLR0913, PLR0917 - the results of an evaluation
    head: dict[str, Any],
    inputs: Inputs,
    fitted: Calibration,
    ahead: Forecast,
    said: Verdict,
    reasons: Sequence[Reason],
    *,
    usual_ln_d: float,
) -> document.Document:
    """Build the document of an evaluation.

    Parameters
    ----------
    head : dict
        Schema number, tag, moment and version.
    inputs : Inputs
        What it was made from.
    fitted, ahead, said : Calibration, Forecast and Verdict
        What the models found.
    reasons : sequence of Reason
        Those of the verdict, with what is known of readings, yard and air.
    usual_ln_d : float
        ln D of its species as tables have it.

    Returns
    -------
    Document
        To be stored.
    """
    field, wish = fitted.field_now, inputs.wish
    return document.Document(
        **head,
        core_now_pct=interval(field.core_pct),
        mean_now_pct=interval(field.mean_pct),
        shell_now_pct=interval(field.shell_pct),
        field_now=document.SectionField(
            x_edges_mm=listed(field.x_edges_mm),
            y_edges_mm=listed(field.y_edges_mm),
            median_pct=listed(np.median(field.mc_pct, axis=0)),
            sd_pct=listed(np.std(field.mc_pct, axis=0)),
        ),
        history=document.Course(
            posix_s=listed(fitted.history_posix_s),
            mean_pct=listed(np.quantile(fitted.history_mean_pct, forecast.QUANTILES, axis=1)),
            core_pct=listed(np.quantile(fitted.history_core_pct, forecast.QUANTILES, axis=1)),
        ),
        readings=tuple(reading(each, wish) for each in fitted.readings),
        calibration=calibration(fitted, usual_ln_d, wish),
        forecast=document.Ahead(
            posix_s=listed(ahead.posix_s),
            quantiles=listed(ahead.quantiles),
            mean_pct=listed(ahead.mean_pct),
            shell_pct=listed(ahead.shell_pct),
            core_pct=listed(ahead.core_pct),
            pins=pins(ahead, fitted),
            spread=inputs.spread,
        ),
        reach=tuple(
            reach(forecast.reach(ahead, part, inputs.use.service_high_pct)) for part in ("mean", "core")
        ),
        movement=movement(inputs, said),
        verdict=verdict(inputs, said, reasons),
        yard=None if inputs.yard is None else yard(inputs.yard),
        checking=None if said.margin is None else margin(said.margin),
    )


def reading(one: Fitted, wish: Wish) -> document.FittedReading:
    """Return a reading beside the fit."""
    return document.FittedReading(
        posix_s=one.posix_s,
        series=one.series,
        measured_pct=round(one.measured_pct, 2),
        model_pct=round(one.model_pct, 2),
        sd_pct=round(one.sd_pct, 2),
        at_least=one.at_least,
        **({} if one.left_out is None else single("left_out", one.left_out, wish)),
    )


def calibration(fitted: Calibration, usual_ln_d: float, wish: Wish) -> document.Calibration:
    """Return what the readings say of the piece; how fast it dries, against the usual speed."""
    start, theta = fitted.members, fitted.theta
    return document.Calibration(
        d_factor=interval(np.exp(theta[parameters.D] - usual_ln_d)),
        start_mc_pct=interval(start.start_mc_pct),
        surface_factor=interval(start.surface_factor),
        meter_bias_pct=interval(fitted.meter_bias_pct),
        used=fitted.used,
        **listing("left_out", fitted.left_out, wish),
        ratio_factor=interval(np.exp(theta[parameters.RATIO])),
        scale_drift_pct=interval(theta[parameters.DRIFT]),
        **listing("notes", fitted.notes, wish),
        suspected=fitted.suspected,
        stepped_posix_s=fitted.stepped_posix_s,
        shrinkage_factor=interval(np.exp(theta[parameters.SHRINKAGE])),
        sizes=tuple(size(each) for each in fitted.sizes),
        fitted="whole" if fitted.whole else "updated",
    )


def size(one: SizeSeen) -> document.MeasuredSize:
    """Return a measured size beside what was foreseen of it."""
    low, middle, high = (round(each, 3) for each in (one.low_mm, one.foreseen_mm, one.high_mm))
    return document.MeasuredSize(
        posix_s=one.posix_s,
        what=one.what,
        face=one.face,
        measured_mm=round(one.measured_mm, 3),
        foreseen_mm=document.Interval(median=middle, low=low, high=high),
        unlike=one.unlike,
        from_end_mm=one.from_end_mm,
        reach_mm=None if one.reach_mm is None else round(one.reach_mm, 1),
    )


def pins(ahead: Forecast, fitted: Calibration) -> document.PinForecast:
    """Return what the pins that were read lately will read, with the meter's bias and scatter, by quantile.

    So a later reading can be held against what was forecast for it, at its own depth. Far above fibre
    saturation a meter says no more than a little above it.
    """
    newest = {each.series: each for each in fitted.readings if each.left_out is None}
    lately = sorted(newest.values(), key=lambda each: each.posix_s, reverse=True)
    scatter = scipy.special.ndtri((np.arange(fitted.members.size) + 0.5) / fitted.members.size)
    scatter = np.random.default_rng(0).permutation(scatter)
    rows: dict[str, Any] = {}
    for each in lately:
        if each.depth_mm is None or each.posix_s < ahead.posix_s[0] - PINS_SINCE_S:
            continue
        try:
            face = Series.parse(each.series).face
            inside = pins_over(ahead.fields[::PINS_EVERY], np.array([each.depth_mm]), face)[:, 0]
        except OutOfRange:  # planed down since
            continue
        seen = shown_pct(inside, fitted.theta) + each.sd_pct * scatter
        seen = np.quantile(seen, ahead.quantiles, axis=1)
        rows[each.series] = np.round(seen, 1).tolist()
        if len(rows) == MOST_PINS:
            break
    return document.PinForecast(posix_s=listed(ahead.posix_s[::PINS_EVERY]), series=rows)


def reach(found: ReachDates) -> document.Reach:
    """Return when a part comes down to a moisture content."""
    return document.Reach(
        where=found.where,
        below_pct=found.below_pct,
        quantiles=listed(found.quantiles),
        dates=tuple(each and each.replace(microsecond=0) for each in found.dates_utc),
    )


def outline(moved: Movement) -> document.Outline:
    """Return the movement of a piece."""
    return document.Outline(**_outline(moved))


def _outline(moved: Movement) -> dict[str, Any]:
    apart = {"face_mm", "bow_mm", "check_face"}
    names = [name for name in document.Outline.model_fields if name not in apart]
    return {
        "face_mm": {face.value: interval(each) for face, each in moved.face_mm.items()},
        "bow_mm": {face.value: interval(each) for face, each in moved.bow_mm.items()},
        "check_face": moved.check_face and moved.check_face.value,
        **{name: interval(getattr(moved, name)) for name in names},
    }


def movement(inputs: Inputs, said: Verdict) -> document.Movement:
    """Return the movement to come, by stage, beside what the use allows."""
    use, finished = inputs.use, inputs.timber.finished
    return document.Movement(
        **_outline(said.residual),
        build_days=inputs.wish.build_days,
        build=None if said.built is None else outline(said.built),
        service_low_pct=use.service_low_pct,
        service_low=outline(said.driest),
        service_high_pct=use.service_high_pct,
        service_high=outline(said.wettest),
        tolerance_mm=round(use.tolerance_mm(finished.width_mm, finished.depth_mm), 3),
        service_mc_pct=use.service_mc_pct,
    )


def verdict(inputs: Inputs, said: Verdict, reasons: Sequence[Reason]) -> document.Verdict:
    """Return the verdict with all its reasons."""
    wish = inputs.wish
    return document.Verdict(
        step=said.step,
        dates=said.dates,
        probability={step: round(each, 3) for step, each in said.probability.items()},
        **listing("reasons", reasons, wish),
        wanted=inputs.wish.probability,
        needed=round(said.needed, 3),
        spread_days={step: round(each, 1) for step, each in said.spread_days.items()},
        stages=tuple(stage(each) for each in said.stages),
        **single("next_reading", said.next_reading, wish),
        rough_out_size_mm=said.rough_out_size_mm,
        rough_out_parts=tuple(
            _part(each.name, (each.width_mm, each.depth_mm)) for each in said.rough_out_terms
        ),
        comes_out=None if said.out is None else comes_out(said.out),
        enough_readings=said.enough_readings,
        contradiction=None if said.contradiction is None else contradiction(said.contradiction, wish),
        chances=None if said.chances is None else chances(said.chances),
    )


def chances(found: Chances) -> document.Chances:
    """Return the chance of `square` on each date ahead."""
    same = np.array_equal(found.ready, found.with_room)
    return document.Chances(
        days=tuple(listed((found.posix_s - found.posix_s[0]) / DAY_S)),
        ready=tuple(listed(found.ready)),
        with_room=None if same else tuple(listed(found.with_room)),
        needed_with_room=round(found.needed_with_room, 3),
    )


def stage(one: Stage) -> document.Stage:
    """Return one condition that a squared piece has to stand."""
    return document.Stage(
        what=one.what,
        probability=round(one.probability, 3),
        date=one.date_utc,
        spread_days=round(one.spread_days, 1),
        limit_mm=None if one.limit_mm is None else round(one.limit_mm, 3),
        largest_mm=None if one.largest_mm is None else _three(one.largest_mm),
        size_change_mm=None if one.change_mm is None else _three(one.change_mm),
        decides=one.decides,
    )


def comes_out(found: ComesOut) -> document.ComesOut:
    """Return whether the finished section still comes out of the timber."""
    return document.ComesOut(
        probability=round(found.probability, 3),
        wanted=found.wanted,
        size_mm=_sides(found.size_mm),
        finished_mm=_sides(found.finished_mm),
        largest_mm=_sides(found.largest_mm),
        parts=tuple(_part(name, sides) for name, sides in found.parts_mm.items()),
    )


def _part(name: str, sides_mm: tuple[float, float]) -> document.AllowancePart:
    width, depth = _sides(sides_mm)
    return document.AllowancePart(name=name, width_mm=width, depth_mm=depth)


def _sides(both_mm: tuple[float, float]) -> tuple[float, float]:
    return round(both_mm[0], 3) + 0.0, round(both_mm[1], 3) + 0.0


def contradiction(found: Contradiction, wish: Wish) -> document.Contradiction:
    """Return what scale and pins say of the mean now, where they cannot both be right."""
    return document.Contradiction(
        **single("words", found.reason, wish),
        since_utc=datetime.fromtimestamp(int(found.since_posix_s), UTC),
        scale_mean_now_pct=_three(found.scale_pct),
        pins_mean_now_pct=_three(found.pins_pct),
        weights=found.weights,
        sections=found.sections,
        pin_readings=found.pins,
    )


def margin(found: Margin) -> document.CheckingMargin:
    """Return the checking margin."""
    return document.CheckingMargin(
        wanted_pct=interval(found.wanted_pct),
        in_air_pct=round(found.in_air_pct, 3),
        tolerated_pct=round(found.tolerated_pct, 3),
        margin_pct=interval(found.margin_pct),
        deciding=found.deciding,
        stage=found.stage.words,
        source=found.stage.source,
        ahead=surface_ahead(found),
    )


def surface_ahead(found: Margin) -> document.SurfaceAhead:
    """Return the surface by day, today first."""

    def rows(today: Floats, ahead: Floats) -> document.Rows:
        by_day = np.concatenate([today[None], ahead])
        return tuple(listed(each) for each in np.quantile(by_day, (0.05, 0.5, 0.95), axis=1))

    return document.SurfaceAhead(
        posix_s=listed(found.posix_s + DAY_S * np.arange(len(found.ahead_pct) + 1)),
        wanted_pct=rows(found.wanted_pct, found.ahead_pct),
        stress=None
        if found.stress is None or found.stress_ahead is None
        else rows(found.stress, found.stress_ahead),
        chance=listed(found.chance),
        at_risk=found.at_risk,
        risk_utc=found.risk_utc,
    )


def yard(known: YardPrior) -> document.YardKnowledge:
    """Return what the other timbers of the yard put into the prior."""
    rows = {
        name: document.YardParameter(
            mean=round(each.mean, 4),
            sd=round(each.sd, 4),
            timbers=each.timbers,
            near=each.near,
            parted=each.parted,
        )
        for name, each in known.rows.items()
    }
    return document.YardKnowledge(prior=rows, spread=known.spread, compared=known.compared)


def interval(values: ArrayLike) -> document.Interval:
    """Return the median and the ends of the 90 % interval."""
    return _three(np.quantile(np.asarray(values), (0.05, 0.5, 0.95)))


def _three(quantiles: ArrayLike) -> document.Interval:
    low, median, high = (np.round(np.asarray(quantiles, dtype=float), 3) + 0.0).tolist()  # never -0.0
    return document.Interval(median=median, low=low, high=high)


def listed(values: ArrayLike) -> Any:  # noqa: ANN401 - numbers, or rows of them
    """Return numbers rounded to thousandths, never -0.0."""
    return (np.round(np.asarray(values, dtype=float), 3) + 0.0).tolist()
