"""The document of an evaluation: what is stored of each timber, described once.

`baulk.ingest.evaluation.compute` writes it (its builders are in `document_write`); pages, publisher, export
and the
searches across the yard read it here. The JSON keys are the names of the fields. Documents of schema 1, which
version 0.1.0 wrote without a number, are read too: their sentences become reasons that hold a text.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from datetime import tzinfo
from functools import lru_cache
from typing import Any, Final, Literal, TypeVar

import numpy as np
from pydantic import BaseModel, Field, TypeAdapter, ValidationError, model_validator

from baulk.ingest.errors import DocumentError
from baulk.ingest.evaluation.document_fields import CodedReason, Moment, Part, Telling, sentence
from baulk.models.field import MoistureField
from baulk.models.section import Section
from baulk.models.units import System

SCHEMA_VERSION: Final = 3
_SAME_MM: Final = 0.5  # two sections that differ by less are the same

Numbers = tuple[float, ...]
Rows = tuple[Numbers, ...]


def _absent(value: object) -> bool:
    return value is None


class Interval(Part):
    """Median and the ends of the 90 % interval."""

    median: float
    low: float
    high: float


class SectionField(Part):
    """Moisture over the section: median and standard deviation of each cell. [mm, %]."""

    x_edges_mm: Numbers
    y_edges_mm: Numbers
    median_pct: Rows
    sd_pct: Rows

    def moisture(self, section: Section, posix_s: float) -> MoistureField | None:
        """Return the medians as a field of a section, or nothing where that has been cut since.

        Parameters
        ----------
        section : Section
            The timber's section today. [mm]
        posix_s : float
            When the evaluation was made. [s]
        """
        x, y = np.array(self.x_edges_mm), np.array(self.y_edges_mm)
        cut = (abs(np.ptp(x) - section.width_mm), abs(np.ptp(y) - section.depth_mm))
        if max(cut) >= _SAME_MM:
            return None
        return MoistureField(
            posix_s=posix_s, section=section, x_edges_mm=x, y_edges_mm=y, mc_pct=np.array(self.median_pct)
        )


class Course(Part):
    """Moisture over time: a row for each quantile 5, 25, 50, 75, 95 %, a column for each moment. [s, %]."""

    posix_s: Numbers
    mean_pct: Rows
    core_pct: Rows


class PinForecast(Part):
    """What the pins of each series will read, with the meter's bias and scatter; rows as in `Course`."""

    posix_s: Numbers = ()
    series: Mapping[str, Rows] = {}


class Ahead(Course):
    """Moisture to come."""

    quantiles: Numbers
    shell_pct: Rows
    pins: PinForecast = PinForecast()
    spread: float | None = None  # factor on the width; schema 1 has none where nothing had been learned yet


class Reach(Part):
    """When a part of the section comes down to a moisture content: a date for each quantile."""

    where: str | float
    below_pct: float
    quantiles: Numbers
    dates: tuple[Moment | None, ...]


class FittedReading(Part):
    """One reading beside the fit's median of the same; `left_out` says why it was set aside. [s, %]."""

    posix_s: float
    series: str
    measured_pct: float
    model_pct: float
    sd_pct: float
    at_least: bool = False
    left_out: str | None = None
    left_out_coded: CodedReason | None = Field(default=None, exclude_if=_absent)

    def why_left_out(self, system: System, *, zone: tzinfo | None = None) -> str | None:
        """Return why it was set aside, in the reader's units; nothing where it was not."""
        if self.left_out is None or self.left_out_coded is None:
            return self.left_out
        return sentence(self.left_out_coded, self.left_out, system, zone=zone)


class MeasuredSize(Part):
    """A width, a depth, a cup or a lean by rule, square or gauge beside what was foreseen of it. [s, mm]."""

    posix_s: float
    what: str
    face: str
    measured_mm: float
    foreseen_mm: Interval
    unlike: bool
    from_end_mm: float | None = Field(default=None, exclude_if=_absent)
    # how far the end had dried it, where that is farther: nothing is held against what was foreseen
    reach_mm: float | None = Field(default=None, exclude_if=_absent)


class Calibration(Telling):
    """What the readings say of this piece; `d_factor` is its speed over the usual one. [-, %]."""

    d_factor: Interval
    start_mc_pct: Interval
    surface_factor: Interval
    meter_bias_pct: Interval
    ratio_factor: Interval
    scale_drift_pct: Interval
    used: int
    left_out: tuple[str, ...]
    left_out_coded: tuple[CodedReason, ...]
    notes: tuple[str, ...]
    notes_coded: tuple[CodedReason, ...]
    suspected: tuple[str, ...] = ()
    stepped_posix_s: float | None
    shrinkage_factor: Interval | None = Field(default=None, exclude_if=_absent)
    sizes: tuple[MeasuredSize, ...] = ()
    fitted: Literal["whole", "updated"]


class Outline(Part):
    """Movement of the finished piece after squaring. [mm].

    Up to schema 2 `out_of_square_mm` was what is `diamond_mm` now, and a boxed heart was not open.
    """

    largest_mm: Interval
    # of the size that changes most, below 0 when it shrinks; documents before schema 3 have none
    size_change_mm: Interval | None = Field(default=None, exclude_if=_absent)
    face_mm: Mapping[str, Interval]
    bow_mm: Mapping[str, Interval] = {}
    width_mm: Interval
    depth_mm: Interval
    middle_width_mm: Interval
    middle_depth_mm: Interval
    diamond_mm: Interval
    out_of_square_mm: Interval
    out_of_square_deg: Interval
    crown_mm: Interval | None = None
    side_lean_mm: Interval | None = None
    cup_mm: Interval
    check_mm: Interval
    check_face: str | None = None

    @model_validator(mode="before")
    @classmethod
    def _from_schema_2(cls, given: Any) -> Any:  # noqa: ANN401 - whatever pydantic is given
        if isinstance(given, Mapping) and "diamond_mm" not in given and "out_of_square_mm" in given:
            return {**given, "diamond_mm": given["out_of_square_mm"]}
        return given


class Movement(Outline):
    """Movement to come if squared now, until it has settled; what the use allows; the stages. [mm, %, d]."""

    build_days: float
    build: Outline | None
    service_low_pct: float
    service_low: Outline
    service_high_pct: float
    service_high: Outline
    tolerance_mm: float
    service_mc_pct: float


class SurfaceAhead(Part):
    """The surface by day, today first: 5, 50 and 95 % quantiles, and the chance of being asked for too much.

    Strain [% of length]; stress of the outer centimetre over strength, nothing where that is not known;
    `risk_utc` is the day by which the chance is one half, nothing for today or for none of them.
    """

    posix_s: Numbers
    wanted_pct: Rows
    stress: Rows | None
    chance: Numbers
    at_risk: bool
    risk_utc: Moment | None


class CheckingMargin(Part):
    """Strain that the surface wants beside what its species stands at a published start. [% of length]."""

    wanted_pct: Interval
    in_air_pct: float
    tolerated_pct: float
    margin_pct: Interval
    deciding: bool
    stage: str
    source: str
    ahead: SurfaceAhead | None = Field(default=None, exclude_if=_absent)

    @property
    def at_risk(self) -> bool:
        """Whether the surface is, or soon will be, asked for more than it stands while damage is decided."""
        if self.ahead is None:  # an earlier version looked at the day itself
            return self.deciding and self.margin_pct.median < 0
        return self.ahead.at_risk


class Contradiction(Telling):
    """What scale and pins each say of the mean now, where they cannot both be right. [%]."""

    words: str
    words_coded: CodedReason
    since_utc: Moment
    scale_mean_now_pct: Interval
    pins_mean_now_pct: Interval
    weights: int
    sections: int
    pin_readings: int


class Stage(Part):
    """One condition of a squared piece, by itself; see `baulk.models.verdict.stages`. [mm, d]."""

    what: str
    probability: float
    date: Moment | None
    spread_days: float
    limit_mm: float | None
    largest_mm: Interval | None
    size_change_mm: Interval | None
    decides: bool


class AllowancePart(Part):
    """One part of what a finished section needs more, or a timber loses, on its width and depth. [mm]."""

    name: str
    width_mm: float
    depth_mm: float


class ComesOut(Part):
    """Whether the finished section still comes out of the timber, and the largest one that does. [mm]."""

    probability: float
    wanted: float
    size_mm: tuple[float, float]
    finished_mm: tuple[float, float]
    largest_mm: tuple[float, float]
    parts: tuple[AllowancePart, ...]

    @property
    def sure(self) -> bool:
        """Whether it comes out as surely as wanted."""
        return self.probability >= self.wanted

    @property
    def lost(self) -> bool:
        """Whether it is likelier that it does not come out."""
        return self.probability < 0.5


class Chances(Part):
    """Chance of `square` on each date ahead, and that it comes out of the timber too. [d from `made_utc`]."""

    days: Numbers
    ready: Numbers
    with_room: Numbers | None = Field(default=None, exclude_if=_absent)  # where it differs
    needed_with_room: float


class Verdict(Telling):
    """Step, dates with their standard deviation [d], probabilities, what binds, and reasons."""

    step: Literal["leave", "rough out", "square"]
    dates: Mapping[str, Moment | None]
    probability: Mapping[str, float]
    reasons: tuple[str, ...]
    reasons_coded: tuple[CodedReason, ...]
    wanted: float
    needed: float | None = None  # for `square`; documents before schema 3 have none, as with the next two
    spread_days: Mapping[str, float] = {}
    stages: tuple[Stage, ...] = ()
    next_reading: str
    next_reading_coded: CodedReason
    rough_out_size_mm: tuple[float, float] | None
    rough_out_parts: tuple[AllowancePart, ...] = ()
    comes_out: ComesOut | None = Field(default=None, exclude_if=_absent)
    enough_readings: bool
    contradiction: Contradiction | None = None
    chances: Chances | None = Field(default=None, exclude_if=_absent)


class YardParameter(Part):
    """One parameter of the prior that other timbers taught."""

    mean: float
    sd: float
    timbers: int
    near: int
    parted: bool


class YardKnowledge(Part):
    """What the other timbers of the yard put into the prior."""

    prior: Mapping[str, YardParameter]
    spread: float
    compared: int


class _Head(Part):
    """What every document begins with."""

    schema_version: int = 1
    tag: str
    made_utc: Moment
    model_version: str


class Failed(_Head, Telling):
    """The document of a timber that could not be evaluated, with the reason."""

    failed: str
    failed_coded: CodedReason


class Summary(_Head):
    """What a list of timbers shows of an evaluation."""

    core_now_pct: Interval
    mean_now_pct: Interval
    shell_now_pct: Interval
    calibration: Calibration
    checking: CheckingMargin | None = Field(default=None, exclude_if=_absent)
    verdict: Verdict


class Document(Summary):
    """Everything that an evaluation found."""

    field_now: SectionField
    history: Course
    readings: tuple[FittedReading, ...]
    forecast: Ahead
    reach: tuple[Reach, ...]
    movement: Movement
    yard: YardKnowledge | None = Field(default=None, exclude_if=_absent)


class _Begin(BaseModel):
    """What decides how a document is read."""

    schema_version: int = 1
    failed: str | None = None


_Kind = TypeVar("_Kind", Summary, Document)


@lru_cache(maxsize=64)
def parse(payload: bytes) -> Document:
    """Read a stored evaluation.

    Parameters
    ----------
    payload : bytes
        JSON as the store keeps it, of this schema or an earlier one.

    Returns
    -------
    Document
        The evaluation.

    Raises
    ------
    DocumentError
        If it says why there is none, is of a newer schema, or is no such document.
    """
    return _read(payload, Document)


@lru_cache(maxsize=1024)
def summary(payload: bytes) -> Summary:
    """Read what a list of timbers shows of a stored evaluation; otherwise as `parse`."""
    return _read(payload, Summary)


def summary_once(payload: bytes) -> Summary:
    """Read what a list shows, as `summary`, for a caller who keeps it: no room is taken for the payload."""
    return _read(payload, Summary)


def document_of(payload: bytes | None) -> Document | None:
    """Return a stored evaluation, or nothing where there is none that can be read."""
    try:
        return None if payload is None else parse(payload)
    except DocumentError:
        return None


def summary_of(payload: bytes | None) -> Summary | None:
    """Return what a list shows of a stored evaluation, or nothing where none can be read."""
    try:
        return None if payload is None else summary(payload)
    except DocumentError:
        return None


def failure_of(payload: bytes) -> Failed | None:
    """Return the document of a timber that could not be evaluated, or nothing where it was."""
    try:
        return Failed.model_validate_json(payload)
    except ValidationError:
        return None


def json_schema() -> dict[str, Any]:
    """Return the JSON schema of a stored evaluation, as it is written."""
    either: TypeAdapter[Document | Failed] = TypeAdapter(Document | Failed)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": f"Stored evaluation of a timber, schema {SCHEMA_VERSION}",
        **either.json_schema(mode="serialization"),
    }


def _read(payload: bytes, kind: type[_Kind]) -> _Kind:
    """Read a document; what it says of itself is looked at first only where it can't be read, for time."""
    try:
        found = kind.model_validate_json(payload)
    except ValidationError as err:
        raise _in_words(payload, err) from err
    if found.schema_version > SCHEMA_VERSION:
        raise _newer(found.schema_version)
    return found


def _in_words(payload: bytes, err: ValidationError) -> DocumentError:
    with suppress(ValidationError):
        begin = _Begin.model_validate_json(payload)
        if begin.schema_version > SCHEMA_VERSION:
            return _newer(begin.schema_version)
        if begin.failed:
            return DocumentError(f"this timber can't be worked out: {begin.failed}")
    first = err.errors()[0]
    where = ".".join(str(part) for part in first["loc"]) or "the whole"
    return DocumentError(
        f"a stored evaluation can't be read at {where} ({first['msg']}); `baulk forecast` works it out anew"
    )


def _newer(schema: int) -> DocumentError:
    return DocumentError(
        "this evaluation was stored by a newer version of the program "
        f"(schema {schema}; this one reads up to {SCHEMA_VERSION}): update this installation, "
        "or work it out anew with this one by `baulk forecast --again`"
    )
