"""From a timber's readings to its stored verdict: calibrate, forecast, judge, keep.

A timber that can't be evaluated keeps the sentence that says why, so that one never stops the rest; it is
tried again when something new arrives. The drying core already runs on every core of the machine,
so timbers are taken one after the other.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.metadata import version
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike

from baulk.ingest import climate
from baulk.ingest.shop import Shop
from baulk.models import calibrate, checking, forecast, rough_out, species, use_class, verdict
from baulk.models.air import AirSeries
from baulk.models.calibrate import Calibration
from baulk.models.diffusion import law_for
from baulk.models.distortion import Movement
from baulk.models.errors import BaulkError
from baulk.models.readiness import Work
from baulk.models.reading import Owner
from baulk.models.timber import Timber
from baulk.models.wording import share

LOG: Final = logging.getLogger(__name__)
MEMBERS: Final = 64
HORIZON_DAYS: Final = 730
DAY_S: Final = 86_400.0
MOULD_DAYS: Final = 28
MOULD_SHARE: Final = 0.25  # of the time, before it is worth a sentence; our own judgement


@dataclass(frozen=True, slots=True, kw_only=True)
class Evaluation:
    """What is known and decided of one timber at one moment.

    Parameters
    ----------
    tag : str
        Which timber.
    made_utc : datetime
        When.
    content : dict
        The stored keys; see `to_json`.
    failed : str or None
        Why there is no verdict.
    """

    tag: str
    made_utc: datetime
    content: dict[str, Any]
    failed: str | None = None

    def to_json(self) -> bytes:
        """Bytes as the store keeps them."""
        return json.dumps(self.content, allow_nan=False, separators=(",", ":")).encode()


def evaluate(tag: str, shop: Shop, now_utc: datetime) -> Evaluation:
    """Work one timber out and keep the answer; a timber that can't be worked out keeps the reason.

    Parameters
    ----------
    tag : str
        Which timber; an unknown one is refused.
    shop : Shop
        The open shop.
    now_utc : datetime
        Now, with a time zone.

    Returns
    -------
    Evaluation
        As stored.
    """
    revision = shop.store.revision()
    timber = shop.register.get(tag)
    try:
        made = compute(timber, shop, now_utc)
    except BaulkError as err:
        made = _failed(timber.tag, now_utc, str(err))
    except Exception as err:  # one timber must not stop the others
        LOG.exception("evaluation of %s failed", timber.tag)
        made = _failed(
            timber.tag,
            now_utc,
            f"its evaluation stopped with an unexpected fault ({type(err).__name__}: {err}); "
            "the log has the details",
        )
    shop.store.save_evaluation(timber.tag, now_utc, made.to_json(), revision=revision)
    return made


def run_stale(
    shop: Shop,
    now_utc: datetime,
    *,
    tags: Iterable[str] | None = None,
    done: Callable[[Evaluation], None] | None = None,
) -> tuple[str, ...]:
    """Evaluate every timber whose stored answer no longer covers what is known.

    Parameters
    ----------
    shop : Shop
        The open shop.
    now_utc : datetime
        Now, with a time zone.
    tags : iterable of str, optional
        These timbers instead of the stale ones.
    done : callable, optional
        Called after each.

    Returns
    -------
    tuple of str
        Tags in the order in which they were done, those that failed included.
    """
    worked = []
    for tag in tuple(shop.store.stale() if tags is None else tags):
        made = evaluate(tag, shop, now_utc)
        worked.append(made.tag)
        if done is not None:
            done(made)
    return tuple(worked)


def compute(timber: Timber, shop: Shop, now_utc: datetime) -> Evaluation:
    """Work one timber out without keeping the answer.

    Parameters
    ----------
    timber : Timber
        The timber.
    shop : Shop
        The open shop, only read.
    now_utc : datetime
        Now, with a time zone.

    Returns
    -------
    Evaluation
        Calibration, forecast and verdict.
    """
    wood = species.get(timber.species)
    use = use_class.get(timber.use_class)
    law = law_for(wood)
    now_s, since_s = now_utc.timestamp(), min(timber.arrived_utc.timestamp(), now_utc.timestamp())
    own = _record(shop, timber.place)
    year = climate.season(own, shop.config)
    readings = shop.store.readings(Owner.TIMBER, timber.tag)
    air = climate.past(own, year, since_s=since_s, now_s=now_s)
    build_days = shop.config.verdict.build_days
    ahead = year.between(now_s, now_s + (HORIZON_DAYS + build_days) * DAY_S)
    fitted = calibrate.fit(timber, wood, readings, air, law=law, now_posix_s=now_s, members=MEMBERS)
    coming = forecast.forecast(timber, wood, fitted, ahead, law=law, horizon_days=HORIZON_DAYS)
    service = verdict.service_draw(use, MEMBERS)
    roughed = (
        None
        if use.may_stay_wet
        else rough_out.rough_out(
            timber,
            wood,
            fitted,
            ahead,
            law=law,
            service_mc_pct=service,
            horizon_days=HORIZON_DAYS,
            step_mm=6.35 if shop.config.shop.units == "inch" else 5.0,
        )
    )
    said = verdict.judge(
        timber,
        wood,
        use,
        fitted,
        coming,
        probability=shop.config.verdict.probability,
        previous=_previous(shop, timber.tag),
        roughed=roughed,
        work=Work(air=ahead, law=law, build_days=build_days),
        system=shop.config.shop.units,
    )
    tolerance = use.tolerance_mm(timber.finished.width_mm, timber.finished.depth_mm)
    content = {
        **_head(timber.tag, now_utc),
        **_now(fitted),
        "forecast": {
            "posix_s": _list(coming.posix_s),
            "quantiles": _list(coming.quantiles),
            "mean_pct": _list(coming.mean_pct),
            "shell_pct": _list(coming.shell_pct),
            "core_pct": _list(coming.core_pct),
        },
        "movement": {
            **_outline(said.residual),
            "build_days": build_days,
            "build": said.built and _outline(said.built),
            "service_low_pct": use.service_low_pct,
            "service_low": _outline(said.driest),
            "service_high_pct": use.service_high_pct,
            "service_high": _outline(said.wettest),
            "tolerance_mm": round(tolerance, 3),
            "service_mc_pct": use.service_mc_pct,
        },
        "verdict": {
            "step": said.step,
            "dates": {step: each and each.isoformat() for step, each in said.dates.items()},
            "probability": {step: round(each, 3) for step, each in said.probability.items()},
            "reasons": [
                *said.reasons,
                *climate.gap_words(own, timber.place, since_s=since_s, now_s=now_s),
                *_mould_words(own, timber.place, now_s),
                *_air_words(year, timber.place),
            ],
            "wanted": shop.config.verdict.probability,
            "next_reading": said.next_reading,
            "rough_out_size_mm": said.rough_out_size_mm and list(said.rough_out_size_mm),
            "enough_readings": said.enough_readings,
        },
    }
    if said.margin is not None:
        content["checking"] = {
            "wanted_pct": _span(said.margin.wanted_pct),
            "in_air_pct": round(said.margin.in_air_pct, 3),
            "tolerated_pct": round(said.margin.tolerated_pct, 3),
            "margin_pct": _span(said.margin.margin_pct),
            "deciding": said.margin.deciding,
            "stage": said.margin.stage.words,
            "source": said.margin.stage.source,
        }
    return Evaluation(tag=timber.tag, made_utc=now_utc, content=content)


def _outline(moved: Movement) -> dict[str, Any]:
    return {
        "largest_mm": _span(moved.largest_mm),
        "face_mm": {face.value: _span(each) for face, each in moved.face_mm.items()},
        "width_mm": _span(moved.width_mm),
        "depth_mm": _span(moved.depth_mm),
        "middle_width_mm": _span(moved.middle_width_mm),
        "middle_depth_mm": _span(moved.middle_depth_mm),
        "out_of_square_mm": _span(moved.out_of_square_mm),
        "out_of_square_deg": _span(moved.out_of_square_deg),
        "cup_mm": _span(moved.cup_mm),
        "check_mm": _span(moved.check_mm),
    }


def _head(tag: str, now_utc: datetime) -> dict[str, Any]:
    return {"tag": tag, "made_utc": now_utc.astimezone(UTC).isoformat(), "model_version": version("baulk")}


def _failed(tag: str, now_utc: datetime, why: str) -> Evaluation:
    return Evaluation(tag=tag, made_utc=now_utc, content={**_head(tag, now_utc), "failed": why}, failed=why)


def _record(shop: Shop, place: str) -> AirSeries | None:
    """Give the place's own air, or nothing when it has not a single pair of readings."""
    if place not in shop.store.places():
        return None
    try:
        return shop.store.air(place)
    except ValueError:  # temperatures without humidities: as good as none
        return None


def _previous(shop: Shop, tag: str) -> str | None:
    """Step of the last stored verdict."""
    stored = shop.store.evaluation(tag)
    if stored is None:
        return None
    try:
        step = json.loads(stored[1]).get("verdict", {}).get("step")
    except (ValueError, AttributeError):
        return None
    return step if isinstance(step, str) else None


def _mould_words(own: AirSeries | None, place: str, now_s: float) -> list[str]:
    """Say when the air of the last weeks would let mould grow."""
    if own is None:
        return []
    try:
        part = checking.mould_share(own, since_s=now_s - MOULD_DAYS * DAY_S)
    except BaulkError:
        return []
    if part < MOULD_SHARE:
        return []
    words = (
        f"In the last {MOULD_DAYS} days the air of {place} was damp enough for mould in {share(part)} of the "
        "time (Hukka & Viitanen 1999); weeks of it are needed: look at the wet faces and keep air moving."
    )
    return [words]


def _air_words(year: climate.Season, place: str) -> list[str]:
    if year.own_months >= 12:
        return []
    if year.known and not year.own_months:
        words = f"The air ahead is the settings' climate, for {place} has no full month of its own record."
    elif year.known:
        words = (
            f"The air ahead is {place}'s own record for {year.own_months} of twelve months, and the "
            "settings' climate or the nearest month for the rest."
        )
    else:
        words = (
            f"The air of {place} is known for {year.own_months} of twelve months, so the dates lean on the "
            "weather so far; a [climate] in the settings would help."
        )
    return [words]


def _now(fitted: Calibration) -> dict[str, Any]:
    field = fitted.field_now
    start = fitted.members
    return {
        "core_now_pct": _span(field.core_pct),
        "mean_now_pct": _span(field.mean_pct),
        "shell_now_pct": _span(field.shell_pct),
        "field_now": {
            "x_edges_mm": _list(field.x_edges_mm),
            "y_edges_mm": _list(field.y_edges_mm),
            "median_pct": _list(np.median(field.mc_pct, axis=0)),
            "sd_pct": _list(np.std(field.mc_pct, axis=0)),
        },
        "history": {
            "posix_s": _list(fitted.history_posix_s),
            "mean_pct": _list(np.quantile(fitted.history_mean_pct, forecast.QUANTILES, axis=1)),
            "core_pct": _list(np.quantile(fitted.history_core_pct, forecast.QUANTILES, axis=1)),
        },
        "readings": [
            {
                "posix_s": each.posix_s,
                "series": each.series,
                "measured_pct": round(each.measured_pct, 2),
                "model_pct": round(each.model_pct, 2),
                "sd_pct": round(each.sd_pct, 2),
                "at_least": each.at_least,
                "left_out": each.left_out,
            }
            for each in fitted.readings
        ],
        "calibration": {
            "d_factor": _span(start.d_factor),
            "start_mc_pct": _span(start.start_mc_pct),
            "surface_factor": _span(start.surface_factor),
            "meter_bias_pct": _span(fitted.meter_bias_pct),
            "used": fitted.used,
            "left_out": list(fitted.left_out),
        },
    }


def _span(values: ArrayLike) -> dict[str, float]:
    low, middle, high = np.quantile(np.asarray(values), (0.05, 0.5, 0.95)).round(3) + 0.0  # never -0.0
    return {"median": float(middle), "low": float(low), "high": float(high)}


def _list(values: ArrayLike) -> list[Any]:
    found: list[Any] = (np.round(np.asarray(values, dtype=float), 3) + 0.0).tolist()
    return found
