"""How an evaluation's parts are written for the store: rounded, with the middle and the 90 % interval."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import norm

from baulk.models import forecast
from baulk.models.calibrate import parameters
from baulk.models.calibrate.assimilation import shown_pct
from baulk.models.calibrate.calibration import Calibration
from baulk.models.calibrate.contradiction import Contradiction
from baulk.models.checking import Margin
from baulk.models.distortion.movement import Movement
from baulk.models.errors import OutOfRange
from baulk.models.forecast import Forecast, ReachDates
from baulk.models.reading import Series
from baulk.models.yard.prior import YardPrior

WHOLE: Final = "whole"
UPDATED: Final = "updated"
PINS_EVERY: Final = 4  # every so manieth moment of the forecast is enough to hold readings against
PINS_SINCE_S: Final = 120 * 86_400.0
MOST_PINS: Final = 6


def outline(moved: Movement) -> dict[str, Any]:
    """Movement of a piece."""
    return {
        "largest_mm": span(moved.largest_mm),
        "face_mm": {face.value: span(each) for face, each in moved.face_mm.items()},
        "width_mm": span(moved.width_mm),
        "depth_mm": span(moved.depth_mm),
        "middle_width_mm": span(moved.middle_width_mm),
        "middle_depth_mm": span(moved.middle_depth_mm),
        "out_of_square_mm": span(moved.out_of_square_mm),
        "out_of_square_deg": span(moved.out_of_square_deg),
        "cup_mm": span(moved.cup_mm),
        "check_mm": span(moved.check_mm),
    }


def found(fitted: Calibration, usual_ln_d: float) -> dict[str, Any]:
    """Say what the readings tell of today and of the way here; how fast it dries, against the usual speed."""
    field = fitted.field_now
    start = fitted.members
    return {
        "core_now_pct": span(field.core_pct),
        "mean_now_pct": span(field.mean_pct),
        "shell_now_pct": span(field.shell_pct),
        "field_now": {
            "x_edges_mm": listed(field.x_edges_mm),
            "y_edges_mm": listed(field.y_edges_mm),
            "median_pct": listed(np.median(field.mc_pct, axis=0)),
            "sd_pct": listed(np.std(field.mc_pct, axis=0)),
        },
        "history": {
            "posix_s": listed(fitted.history_posix_s),
            "mean_pct": listed(np.quantile(fitted.history_mean_pct, forecast.QUANTILES, axis=1)),
            "core_pct": listed(np.quantile(fitted.history_core_pct, forecast.QUANTILES, axis=1)),
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
            "d_factor": span(np.exp(fitted.theta[parameters.D] - usual_ln_d)),
            "start_mc_pct": span(start.start_mc_pct),
            "surface_factor": span(start.surface_factor),
            "meter_bias_pct": span(fitted.meter_bias_pct),
            "used": fitted.used,
            "left_out": list(fitted.left_out),
            "ratio_factor": span(np.exp(fitted.theta[parameters.RATIO])),
            "scale_drift_pct": span(fitted.theta[parameters.DRIFT]),
            "notes": list(fitted.notes),
            "stepped_posix_s": fitted.stepped_posix_s,
            "fitted": WHOLE if fitted.whole else UPDATED,
        },
    }


def ahead(coming: Forecast) -> dict[str, Any]:
    """Give the forecast by quantile."""
    return {
        "posix_s": listed(coming.posix_s),
        "quantiles": listed(coming.quantiles),
        "mean_pct": listed(coming.mean_pct),
        "shell_pct": listed(coming.shell_pct),
        "core_pct": listed(coming.core_pct),
    }


def learned(known: YardPrior) -> dict[str, Any]:
    """Say what the other timbers of the yard put into the prior."""
    rows = {
        name: {
            "mean": round(each.mean, 4),
            "sd": round(each.sd, 4),
            "timbers": each.timbers,
            "near": each.near,
            "parted": each.parted,
        }
        for name, each in known.rows.items()
    }
    return {"prior": rows, "spread": known.spread, "compared": known.compared}


def pins_ahead(coming: Forecast, fitted: Calibration) -> dict[str, Any]:
    """Say what the pins that were read lately will read: with the meter's bias and its scatter, by quantile.

    So a later reading can be held against what was forecast for it, at its own depth. Far above fibre
    saturation a meter says no more than a little above it.
    """
    newest = {each.series: each for each in fitted.readings if each.left_out is None}
    lately = sorted(newest.values(), key=lambda each: each.posix_s, reverse=True)
    scatter = norm.ppf((np.arange(fitted.members.size) + 0.5) / fitted.members.size)
    scatter = np.random.default_rng(0).permutation(scatter)
    rows: dict[str, Any] = {}
    for each in lately:
        if each.depth_mm is None:
            continue
        series = Series.parse(each.series)
        if each.posix_s < coming.posix_s[0] - PINS_SINCE_S:
            continue
        try:
            inside = coming.members_pct(each.depth_mm, series.face)[::PINS_EVERY]
        except OutOfRange:  # planed down since
            continue
        seen = shown_pct(inside, fitted.theta) + each.sd_pct * scatter
        seen = np.quantile(seen, coming.quantiles, axis=1)
        rows[each.series] = np.round(seen, 1).tolist()
        if len(rows) == MOST_PINS:
            break
    return {"posix_s": listed(coming.posix_s[::PINS_EVERY]), "series": rows}


def reached(found: ReachDates) -> dict[str, Any]:
    """Say when a part comes down to a moisture content."""
    return {
        "where": found.where,
        "below_pct": found.below_pct,
        "quantiles": listed(found.quantiles),
        "dates": [each and each.isoformat(timespec="seconds") for each in found.dates_utc],
    }


def contradiction(found: Contradiction) -> dict[str, Any]:
    """Say what scale and pins tell of the mean now, where they cannot both be right."""
    return {
        "words": found.words,
        "since_utc": datetime.fromtimestamp(found.since_posix_s, UTC).isoformat(timespec="seconds"),
        **{
            name: dict(zip(("low", "median", "high"), (round(each, 3) for each in told), strict=True))
            for name, told in (("scale_mean_now_pct", found.scale_pct), ("pins_mean_now_pct", found.pins_pct))
        },
        "weights": found.weights,
        "sections": found.sections,
        "pin_readings": found.pins,
    }


def margin(found: Margin) -> dict[str, Any]:
    """Give the checking margin."""
    return {
        "wanted_pct": span(found.wanted_pct),
        "in_air_pct": round(found.in_air_pct, 3),
        "tolerated_pct": round(found.tolerated_pct, 3),
        "margin_pct": span(found.margin_pct),
        "deciding": found.deciding,
        "stage": found.stage.words,
        "source": found.stage.source,
    }


def span(values: ArrayLike) -> dict[str, float]:
    """Give the median and the ends of the 90 % interval."""
    low, middle, high = np.quantile(np.asarray(values), (0.05, 0.5, 0.95)).round(3) + 0.0  # never -0.0
    return {"median": float(middle), "low": float(low), "high": float(high)}


def listed(values: ArrayLike) -> list[Any]:
    """Round to thousandths."""
    rounded: list[Any] = (np.round(np.asarray(values, dtype=float), 3) + 0.0).tolist()
    return rounded
