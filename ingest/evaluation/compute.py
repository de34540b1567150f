"""One timber worked out: calibrate, forecast, judge. Pure, so that any process or machine may do it.

`Inputs` is everything that an evaluation needs and nothing else: no store, no settings file, no table of the
process. What gathers it and what keeps the answer is `baulk.ingest.evaluation.gather`.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from hashlib import blake2b
from typing import Any, Final, TypeVar

from baulk.ingest.evaluation import climate, document_write, fit_store, yard_prior
from baulk.ingest.evaluation.document import SCHEMA_VERSION, Document, Failed
from baulk.ingest.evaluation.fingerprint import model_version
from baulk.ingest.evaluation.inputs import Inputs, Stay, Wish
from baulk.models import checking, forecast, openings
from baulk.models.air import AirSeries
from baulk.models.calibrate import calibration, parameters
from baulk.models.calibrate.calibration import Calibration
from baulk.models.constants import DAY_S
from baulk.models.diffusion import law_for
from baulk.models.errors import BaulkError
from baulk.models.forecast import Forecast
from baulk.models.reason import Reason
from baulk.models.surface import margin
from baulk.models.timber import entered_as
from baulk.models.verdict import comes_out, decision, rough_out
from baulk.models.verdict.readiness import Work

__all__ = [
    "Answered",
    "Evaluation",
    "Inputs",
    "Sent",
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
# notes of a fit that a verdict, or the gaps of a place's own record, tell already
TOLD_BY_THE_VERDICT: Final = frozenset(
    {"calibration.air_not_measured", "calibration.no_readings", "calibration.few_readings"}
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Evaluation:
    """What is known and decided of one timber at one moment.

    Parameters
    ----------
    document : Document or Failed
        What is stored and read.
    fit : bytes or None
        What is to be kept of its fit, where that is new; see `baulk.ingest.evaluation.fit_store`.
    found : bytes or None
        What it has to teach the yard, where that is new; see `baulk.ingest.evaluation.yard_prior`.
    """

    document: Document | Failed
    fit: bytes | None = None
    found: bytes | None = None

    @property
    def tag(self) -> str:
        """Which timber."""
        return self.document.tag

    @property
    def made_utc(self) -> datetime:
        """When."""
        return self.document.made_utc

    @property
    def failed(self) -> str | None:
        """Why there is no verdict, where there is none."""
        return self.document.failed if isinstance(self.document, Failed) else None

    @property
    def updated(self) -> bool:
        """Whether it goes on from the fit before; a whole fit may differ a little."""
        return isinstance(self.document, Document) and self.document.calibration.fitted == "updated"

    @property
    def step(self) -> str | None:
        """What the verdict says to do, where there is one."""
        return self.document.verdict.step if isinstance(self.document, Document) else None

    def to_json(self) -> bytes:
        """Bytes as the store keeps them."""
        return self.document.model_dump_json().encode()

    def sent(self) -> Sent:
        """Return what is handed to another process."""
        return Sent(
            tag=self.tag,
            made_utc=self.made_utc,
            failed=self.failed,
            updated=self.updated,
            step=self.step,
            body=self.to_json(),
            fit=self.fit,
            found=self.found,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Sent:
    """An evaluation from a worker: written out there, so that the one process that keeps all need not.

    Parameters
    ----------
    tag, made_utc, failed, updated, step, fit, found
        As of `Evaluation`.
    body : bytes
        The document as the store keeps it.
    """

    tag: str
    made_utc: datetime
    failed: str | None
    updated: bool
    step: str | None
    body: bytes
    fit: bytes | None
    found: bytes | None

    def to_json(self) -> bytes:
        """Bytes as the store keeps them."""
        return self.body


Answered = Evaluation | Sent


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
    return Evaluation(document=document_write.failed(_head(tag, now_utc), why))


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
        "seed": seed_of(entered_as(inputs.timber, inputs.events)),
        "events": inputs.events,
        "corrections": inputs.wish.meters,
        "gaps": inputs.air_gaps(),
        "yard": inputs.yard,
        "known_species": inputs.woods.species,
        "threads": threads,
    }
    return calibration.fit(*given, **how) if before is None else calibration.update(before, *given, **how)


def coming(
    inputs: Inputs,
    fitted: Calibration,
    held: AirSeries | Sequence[AirSeries] | None = None,
    threads: int | None = None,
) -> Forecast:
    """Look ahead, in air as different as years are, or in air that the shop will hold.

    Parameters
    ----------
    inputs : Inputs
        Everything that is known.
    fitted : Calibration
        The ensemble.
    held : AirSeries or sequence of AirSeries, optional
        What the shop will hold from now on instead of the season's air, or the season's years at hand.
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
    built_s = now_s + (wish.horizon_days + wish.build_days) * DAY_S
    usual = year.between(now_s, built_s)
    before = fit_store.taken_up(inputs)
    fitted = fitted_to(inputs, before, threads)
    futures = year.years(now_s, now_s + wish.horizon_days * DAY_S)
    ahead = coming(inputs, fitted, futures, threads)
    service = decision.service_draw(use, wish.members)
    size = comes_out.recorded(timber, inputs.events)
    ask = comes_out.asked(timber, wood, size, wanted=wish.probability, seen=inputs.curves)

    def roughed() -> rough_out.RoughOut | None:
        return rough_out.rough_out(
            timber,
            wood,
            fitted,
            futures,
            law=law,
            use=use,
            service_mc_pct=service,
            ask=ask,
            horizon_days=wish.horizon_days,
            step_mm=6.35 if wish.units == "inch" else 5.0,
            spread=inputs.spread,
            threads=threads,
        )

    said = decision.judge(
        timber,
        wood,
        use,
        fitted,
        ahead,
        probability=wish.probability,
        previous=inputs.previous,
        roughed=None if use.may_stay_wet else roughed,
        work=Work(
            air=usual,
            law=law,
            build_days=wish.build_days,
            futures=year.years(now_s, built_s, BUILD_YEARS),
            elsewhere={place: other.between(now_s, built_s) for place, other in inputs.elsewhere},
            threads=threads,
        ),
        margin=margin.margin(
            timber,
            wood,
            fitted,
            inputs.air_past(),
            year.years(now_s, now_s + (margin.DAYS_AHEAD + 1) * DAY_S, margin.YEARS_AHEAD),
            law=law,
            events=inputs.events,
            gaps=inputs.air_gaps(),
            under=inputs.under,
            threads=threads,
        ),
        uses=inputs.woods.use_classes,
        out=comes_out.of_fit(timber, wood, fitted, size, ask, service_mc_pct=service),
        openings=openings.seen(inputs.events),
    )
    return Evaluation(
        document=document_write.evaluated(
            _head(timber.tag, inputs.now_utc),
            inputs,
            fitted,
            ahead,
            said,
            _reasons(inputs, said, fitted),
            usual_ln_d=float(parameters.middle(timber, wood, law)[parameters.D]),
        ),
        fit=fit_store.to_keep(inputs, before, fitted),
        found=yard_prior.found(inputs, fitted),
    )


def _reasons(inputs: Inputs, said: decision.Verdict, fitted: Calibration) -> tuple[Reason, ...]:
    """Return the verdict's reasons, then what else is to be known of readings, yard and air."""
    here = inputs.here
    return (
        *said.reasons,
        *(() if inputs.swap is None else (inputs.swap,)),
        *(each for each in fitted.notes if each.code not in TOLD_BY_THE_VERDICT),
        *(() if inputs.yard is None else inputs.yard.reasons(inputs.timber.species)),
        *_gaps(inputs),
        *_mould(here.own, here.place, inputs.now_s),
        *_air_ahead(here.year, here.place),
    )


def _gaps(inputs: Inputs) -> list[Reason]:
    return [
        reason
        for stay, end in inputs.stretches()
        for reason in climate.gap_reasons(stay.own, stay.place, since_s=stay.since_s, now_s=end)
    ]


def _head(tag: str, now_utc: datetime) -> dict[str, Any]:
    return {
        "schema_version": SCHEMA_VERSION,
        "tag": tag,
        "made_utc": now_utc.astimezone(UTC),
        "model_version": model_version(),
    }


def _mould(own: AirSeries | None, place: str, now_s: float) -> list[Reason]:
    """Tell when the air of the last weeks would let mould grow."""
    if own is None:
        return []
    try:
        part = checking.mould_share(own, since_s=now_s - MOULD_DAYS * DAY_S)
    except BaulkError:
        return []
    if part < MOULD_SHARE:
        return []
    return [Reason(code="climate.mould", values={"place": place, "days": MOULD_DAYS, "damp_share": part})]


def _air_ahead(year: climate.Season, place: str) -> list[Reason]:
    if year.own_months >= 12:
        return []
    if year.known and not year.own_months:
        return [Reason(code="climate.settings_only", values={"place": place})]
    code = "climate.partly_own" if year.known else "climate.short_record"
    return [Reason(code=code, values={"place": place, "months": year.own_months})]
