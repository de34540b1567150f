"""A timber's stored evaluation, read back into types that a page can draw."""

from __future__ import annotations

from datetime import datetime
from functools import lru_cache
from typing import TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError

from baulk.models.errors import BaulkError

_Kind = TypeVar("_Kind", bound="Glance")


class AnswerError(BaulkError, ValueError):
    """A stored evaluation can't be read."""


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="ignore", protected_namespaces=())


class Span(_Part):
    """A middle value with its 5-95 % range."""

    median: float
    low: float
    high: float


class Field(_Part):
    """Moisture over the section in mm: middle value and spread of each cell in percent."""

    x_edges_mm: tuple[float, ...]
    y_edges_mm: tuple[float, ...]
    median_pct: tuple[tuple[float, ...], ...]
    sd_pct: tuple[tuple[float, ...], ...]


class Fan(_Part):
    """Moisture in percent over time, by quantile 5, 25, 50, 75, 95 %."""

    posix_s: tuple[float, ...]
    mean_pct: tuple[tuple[float, ...], ...]
    core_pct: tuple[tuple[float, ...], ...]


class Reach(_Part):
    """When a part of the section comes down to a moisture content, by quantile 5, 25, 50, 75, 95 %."""

    where: str | float
    below_pct: float
    dates: tuple[datetime | None, ...]


class Fitted(_Part):
    """One reading beside what the calibrated model says of it, in percent."""

    posix_s: float
    series: str
    measured_pct: float
    model_pct: float | None = None
    sd_pct: float | None = None
    at_least: bool = False
    left_out: str | None = None


class Fit(_Part):
    """What the readings taught the model about this piece."""

    d_factor: Span
    start_mc_pct: Span
    surface_factor: Span | None = None
    meter_bias_pct: Span | None = None
    used: int
    left_out: tuple[str, ...] = ()


class Stage(_Part):
    """Largest movement by one moment after squaring, in mm."""

    largest_mm: Span


class Move(_Part):
    """Movement still to come if squared now, against what the use allows, in mm."""

    face_mm: dict[str, Span]
    middle_width_mm: Span | None = None
    middle_depth_mm: Span | None = None
    out_of_square_mm: Span
    out_of_square_deg: Span | None = None
    cup_mm: Span | None = None
    check_mm: Span | None = None
    tolerance_mm: float
    service_mc_pct: float
    build_days: float | None = None
    build: Stage | None = None
    service_low_pct: float | None = None
    service_low: Stage | None = None
    service_high_pct: float | None = None
    service_high: Stage | None = None


class Checking(_Part):
    """Strain that the surface wants beside what its species stands at a published start, % of length."""

    wanted_pct: Span
    tolerated_pct: float
    margin_pct: Span
    deciding: bool
    source: str


class Contradiction(_Part):
    """What scale and pins each say of the mean now in percent, where they cannot both be right."""

    words: str
    since_utc: datetime
    scale_mean_now_pct: Span
    pins_mean_now_pct: Span


class Judgement(_Part):
    """The verdict with its dates, probabilities and reasons."""

    step: str
    dates: dict[str, datetime | None]
    probability: dict[str, float]
    reasons: tuple[str, ...]
    next_reading: str
    wanted: float | None = None
    rough_out_size_mm: tuple[float, float] | None = None
    enough_readings: bool = True
    contradiction: Contradiction | None = None


class Glance(_Part):
    """What the yard shows of one timber's last evaluation."""

    tag: str
    made_utc: datetime
    core_now_pct: Span
    mean_now_pct: Span
    shell_now_pct: Span
    calibration: Fit
    checking: Checking | None = None
    verdict: Judgement


class Answer(Glance):
    """Everything the last evaluation found about one timber."""

    field_now: Field
    forecast: Fan
    history: Fan | None = None
    reach: tuple[Reach, ...] = ()
    readings: tuple[Fitted, ...] = ()
    movement: Move


class _Failed(_Part):
    """Why the last evaluation gave no answer."""

    failed: str | None = None


@lru_cache(maxsize=64)
def parse(payload: bytes) -> Answer:
    """Read a stored evaluation.

    Parameters
    ----------
    payload : bytes
        JSON as `store.save_evaluation` keeps it.

    Returns
    -------
    Answer
        The evaluation.

    Raises
    ------
    AnswerError
        If it tells of a failure, or isn't an evaluation of this version; working it out anew cures that.
    """
    return _read(payload, Answer)


@lru_cache(maxsize=1024)
def glance(payload: bytes) -> Glance:
    """Read what the yard shows of a stored evaluation; otherwise as `parse`."""
    return _read(payload, Glance)


def _read(payload: bytes, kind: type[_Kind]) -> _Kind:
    try:
        if why := _Failed.model_validate_json(payload).failed:
            raise AnswerError(f"this timber can't be worked out: {why}")
        return kind.model_validate_json(payload)
    except ValidationError as err:
        first = err.errors()[0]
        where = ".".join(str(part) for part in first["loc"]) or "the whole"
        raise AnswerError(
            f"a stored evaluation can't be read at {where} ({first['msg']}); "
            "`baulk forecast` works it out anew"
        ) from err
