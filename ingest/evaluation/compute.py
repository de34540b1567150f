"""One timber worked out: calibrate, forecast, judge. Pure, so that any process or machine may do it.

`Inputs` is everything that an evaluation needs and nothing else: no store, no settings file, no table of the
process. What gathers it and what keeps the answer is `baulk.ingest.evaluation.gather`.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from hashlib import blake2b
from typing import Any, Final, TypeVar

from baulk.ingest.evaluation import climate, fit_store, yard_prior
from baulk.ingest.evaluation import document_write as written
from baulk.ingest.evaluation.fingerprint import model_version
from baulk.ingest.evaluation.inputs import DAY_S, Inputs, Stay, Wish
from baulk.models import checking, forecast, yard_words
from baulk.models.air import AirSeries
from baulk.models.calibrate import calibration, diagnostics, parameters
from baulk.models.calibrate.calibration import Calibration
from baulk.models.diffusion import law_for
from baulk.models.errors import BaulkError
from baulk.models.forecast import Forecast
from baulk.models.verdict import decision, rough_out
from baulk.models.verdict.readiness import Work
from baulk.models.wording import share

__all__ = [
    "Evaluation",
    "Inputs",
    "Stay",
    "Wish",
    "answer",
    "in_words",
    "not_worked_out",
    "seed_of",
    "work_out",
]

LOG: Final = logging.getLogger(__name__)

BUILD_YEARS: Final = 4  # possible years that a squared piece is built in; each costs the model a run
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
    fit : bytes or None
        What is to be kept of its fit, where that is new; see `baulk.ingest.evaluation.fit_store`.
    found : bytes or None
        What it has to teach the yard, where that is new; see `baulk.ingest.evaluation.yard_prior`.
    """

    tag: str
    made_utc: datetime
    content: dict[str, Any]
    failed: str | None = None
    fit: bytes | None = None
    found: bytes | None = None

    @property
    def updated(self) -> bool:
        """Whether it goes on from the fit before; a whole fit may differ a little."""
        return bool(self.content.get("calibration", {}).get("fitted") == written.UPDATED)

    def to_json(self) -> bytes:
        """Bytes as the store keeps them."""
        return json.dumps(self.content, allow_nan=False, separators=(",", ":")).encode()


def not_worked_out(tag: str, now_utc: datetime, why: str) -> Evaluation:
    """Give the evaluation of a timber that has none, with the reason.

    Parameters
    ----------
    tag : str
        Which timber.
    now_utc : datetime
        Now.
    why : str
        One sentence.

    Returns
    -------
    Evaluation
        With `failed` set.
    """
    content = {**_head(tag, now_utc), "failed": why}
    return Evaluation(tag=tag, made_utc=now_utc, content=content, failed=why)


def answer(inputs: Inputs, threads: int | None = None) -> Evaluation:
    """Work one timber out; whatever stops it becomes an evaluation that says why.

    Parameters
    ----------
    inputs : Inputs
        Everything that is known.
    threads : int, optional
        The most that the drying model may use; every core if left out. The answer is the same.

    Returns
    -------
    Evaluation
        That of `work_out`, or one with the reason.
    """
    return in_words(inputs.timber.tag, inputs.now_utc, lambda: work_out(inputs, threads))


Made = TypeVar("Made")


def in_words(tag: str, now_utc: datetime, work: Callable[[], Made]) -> Made | Evaluation:
    """Do some work for a timber; whatever stops it becomes an evaluation that says why.

    Parameters
    ----------
    tag : str
        Which timber.
    now_utc : datetime
        Now.
    work : callable
        What is to be done.

    Returns
    -------
    object or Evaluation
        What ``work`` gave, or the reason why it gave nothing.
    """
    try:
        return work()
    except BaulkError as err:
        return not_worked_out(tag, now_utc, str(err))
    except Exception as err:  # one timber must not stop the others
        LOG.exception("evaluation of %s failed", tag)
        why = (
            f"its evaluation stopped with an unexpected fault ({type(err).__name__}: {err}); "
            "the log has the details"
        )
        return not_worked_out(tag, now_utc, why)


def seed_of(tag: str) -> int:
    """Seed of a timber's draws: its own, so that the errors of two timbers are not the same error.

    Parameters
    ----------
    tag : str
        Which timber.

    Returns
    -------
    int
        The same in every process, 0 to 2**32 - 1.
    """
    return int.from_bytes(blake2b(tag.encode(), digest_size=4).digest(), "big")


def fitted_to(inputs: Inputs, before: Calibration | None = None, threads: int | None = None) -> Calibration:
    """Fit a timber's drying to what is known of it.

    Parameters
    ----------
    inputs : Inputs
        Everything that is known.
    before : Calibration, optional
        The fit before, to take new readings into where that is sound.
    threads : int, optional
        As for `answer`.

    Returns
    -------
    Calibration
        The ensemble and its moisture now.
    """
    given = (inputs.timber, inputs.wood, inputs.readings, inputs.air_past())
    how: dict[str, Any] = {
        "law": law_for(inputs.wood),
        "now_posix_s": inputs.now_s,
        "members": inputs.wish.members,
        "seed": seed_of(inputs.timber.tag),
        "events": inputs.events,
        "corrections": inputs.wish.meters,
        "gaps": inputs.air_gaps(),
        "yard": inputs.yard,
        "known_species": inputs.woods.species,
        "threads": threads,
    }
    return calibration.fit(*given, **how) if before is None else calibration.update(before, *given, **how)


def coming(
    inputs: Inputs, fitted: Calibration, held: AirSeries | None = None, threads: int | None = None
) -> Forecast:
    """Look ahead, in air as different as years are, or in air that the shop will hold.

    Parameters
    ----------
    inputs : Inputs
        Everything that is known.
    fitted : Calibration
        The ensemble.
    held : AirSeries, optional
        What the shop will hold from now on instead of the season's air.
    threads : int, optional
        As for `answer`.

    Returns
    -------
    Forecast
        Moisture from now to the horizon.
    """
    now_s, horizon_days = inputs.now_s, inputs.wish.horizon_days
    return forecast.forecast(
        inputs.timber,
        inputs.wood,
        fitted,
        inputs.here.year.years(now_s, now_s + horizon_days * DAY_S) if held is None else held,
        law=law_for(inputs.wood),
        horizon_days=horizon_days,
        spread=inputs.spread,
        threads=threads,
    )


def work_out(inputs: Inputs, threads: int | None = None) -> Evaluation:
    """Work one timber out.

    Parameters
    ----------
    inputs : Inputs
        Everything that is known.
    threads : int, optional
        As for `answer`.

    Returns
    -------
    Evaluation
        Calibration, forecast and verdict; the same inputs give the same answer on any machine. Without a fit
        to go on from that is the whole fit's; with one it may differ within what its tests state.

    Raises
    ------
    BaulkError
        If there can be no answer, with the reason.
    """
    timber, wood, use, wish, year = inputs.timber, inputs.wood, inputs.use, inputs.wish, inputs.here.year
    now_s, law = inputs.now_s, law_for(wood)
    usual = year.between(now_s, now_s + (wish.horizon_days + wish.build_days) * DAY_S)
    before = fit_store.taken_up(inputs)
    fitted = fitted_to(inputs, before, threads)
    ahead = coming(inputs, fitted, threads=threads)
    service = decision.service_draw(use, wish.members)
    roughed = (
        None
        if use.may_stay_wet
        else rough_out.rough_out(
            timber,
            wood,
            fitted,
            year.years(now_s, now_s + wish.horizon_days * DAY_S),
            law=law,
            service_mc_pct=service,
            horizon_days=wish.horizon_days,
            step_mm=6.35 if wish.units == "inch" else 5.0,
            spread=inputs.spread,
            threads=threads,
        )
    )
    said = decision.judge(
        timber,
        wood,
        use,
        fitted,
        ahead,
        probability=wish.probability,
        previous=inputs.previous,
        roughed=roughed,
        work=Work(
            air=usual,
            law=law,
            build_days=wish.build_days,
            futures=year.years(now_s, now_s + (wish.horizon_days + wish.build_days) * DAY_S, BUILD_YEARS),
            threads=threads,
        ),
        system=wish.units,
        uses=inputs.woods.use_classes,
    )
    content = {
        **_head(timber.tag, inputs.now_utc),
        **written.found(fitted, float(parameters.middle(timber, wood, law)[parameters.D])),
        "forecast": {
            **written.ahead(ahead),
            "spread": inputs.spread,
            "pins": written.pins_ahead(ahead, fitted),
        },
        "reach": [
            written.reached(forecast.reach(ahead, part, use.service_high_pct)) for part in ("mean", "core")
        ],
        "movement": _moved(inputs, said),
        "verdict": _said(inputs, said, fitted),
    }
    if inputs.yard is not None:
        content["yard"] = written.learned(inputs.yard)
    if said.margin is not None:
        content["checking"] = written.margin(said.margin)
    kept = fit_store.to_keep(inputs, before, fitted)
    return Evaluation(
        tag=timber.tag,
        made_utc=inputs.now_utc,
        content=content,
        fit=kept,
        found=yard_prior.found(inputs, fitted),
    )


def _moved(inputs: Inputs, said: decision.Verdict) -> dict[str, Any]:
    use, finished = inputs.use, inputs.timber.finished
    return {
        **written.outline(said.residual),
        "build_days": inputs.wish.build_days,
        "build": said.built and written.outline(said.built),
        "service_low_pct": use.service_low_pct,
        "service_low": written.outline(said.driest),
        "service_high_pct": use.service_high_pct,
        "service_high": written.outline(said.wettest),
        "tolerance_mm": round(use.tolerance_mm(finished.width_mm, finished.depth_mm), 3),
        "service_mc_pct": use.service_mc_pct,
    }


def _said(inputs: Inputs, said: decision.Verdict, fitted: Calibration) -> dict[str, Any]:
    here = inputs.here
    return {
        "step": said.step,
        "dates": {step: each and each.isoformat() for step, each in said.dates.items()},
        "probability": {step: round(each, 3) for step, each in said.probability.items()},
        "reasons": [
            *said.reasons,
            *([] if inputs.swap is None else [f"{inputs.swap[0].upper()}{inputs.swap[1:]}."]),
            *(
                f"{each[0].upper()}{each[1:]}."
                for each in fitted.notes
                if not each.startswith(diagnostics.SAID_ELSEWHERE)
            ),
            *(() if inputs.yard is None else yard_words.sentences(inputs.yard, inputs.timber.species)),
            *_gap_words(inputs),
            *_mould_words(here.own, here.place, inputs.now_s),
            *_air_words(here.year, here.place),
        ],
        "wanted": inputs.wish.probability,
        "next_reading": said.next_reading,
        "rough_out_size_mm": said.rough_out_size_mm and list(said.rough_out_size_mm),
        "enough_readings": said.enough_readings,
        "contradiction": said.contradiction and written.contradiction(said.contradiction),
    }


def _gap_words(inputs: Inputs) -> list[str]:
    return [
        words
        for stay, end in inputs.stretches()
        for words in climate.gap_words(stay.own, stay.place, since_s=stay.since_s, now_s=end)
    ]


def _head(tag: str, now_utc: datetime) -> dict[str, Any]:
    return {"tag": tag, "made_utc": now_utc.astimezone(UTC).isoformat(), "model_version": model_version()}


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
