"""How far a piece squared on each date ahead would still move: while it is built in, and in service.

A piece is square on the day it is cut. From then on it lives in the shop's air while the work goes on, and
later where its use puts it. Which conditions it must stand says `baulk.models.verdict.rule`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cached_property, lru_cache
from itertools import pairwise
from typing import Final

import numpy as np
import scipy
from numpy.typing import NDArray

from baulk.models.air import AirSeries
from baulk.models.constants import DAY_S, Floats
from baulk.models.diffusion import DiffusionLaw
from baulk.models.distortion.movement import Movement, Shape
from baulk.models.drying import solver
from baulk.models.field import MoistureField
from baulk.models.forecast import Forecast
from baulk.models.section import Finished, Section
from baulk.models.species import Species
from baulk.models.use_class import UseClass
from baulk.models.verdict.chances import Chances
from baulk.models.verdict.rule import Rule, What

EVERY: Final = 2  # every second moment of the forecast is a candidate date
BUILD_DAYS: Final = 365.0  # a boat or a frame on the stocks; common practice, no source
# the movement during the build changes slowly with the date of squaring: it is run for a few dates and on
# fewer cells, and laid between them by straight lines (tests hold it against running every date finely)
ANCHORS: Final = 9
# of ln movement during the build: what the law of dry wood may be off; set on the bench tests/bench/honesty
BUILD_SD: Final = 0.25
BUILD_CELLS: Final = (8, 8)
BUILD_ERROR_PCT: Final = 0.2
DATES_TOGETHER: Final = 2**16  # values of pieces that are worked with at once, so that they stay in a cache


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Work:
    """The build that a squared piece goes into.

    Parameters
    ----------
    air : AirSeries
        Shop's air from now to the horizon and one build beyond; its last value holds to the end.
    law : DiffusionLaw
        Diffusion law of the species.
    build_days : float
        From squaring to service. [d]
    futures : tuple of AirSeries
        Years as different as years are, dealt to the members for the movement while it is built; without them
        all build in `air`.
    elsewhere : mapping of str to AirSeries
        Air expected in other places that the squared piece could be moved to, by the place's name.
    threads : int or None
        As `baulk.models.drying.solver.dry` takes it.
    """

    air: AirSeries
    law: DiffusionLaw
    build_days: float = BUILD_DAYS
    futures: tuple[AirSeries, ...] = ()
    elsewhere: Mapping[str, AirSeries] = field(default_factory=dict)
    threads: int | None = None


class Build:
    """How far the piece moves while the work goes on, worked out as far as somebody asks.

    Of a piece that cannot be ready on a date, whatever the work does to it, nobody asks.

    Parameters
    ----------
    pieces : sequence of MoistureField
        The piece on each candidate date. [%]
    species : Species
        Its wood.
    members : Members or None
        The ensemble.
    work : Work
        The build.
    """

    def __init__(
        self,
        pieces: Sequence[MoistureField],
        species: Species,
        members: solver.Members | None,
        work: Work,
    ) -> None:
        at_s = np.array([piece.posix_s for piece in pieces])
        anchors = np.unique(np.linspace(0, len(pieces) - 1, ANCHORS).round().astype(int))
        weights = [np.interp(at_s, at_s[anchors], one) for one in np.eye(anchors.size)]
        self._between, self._anchors = np.stack(weights, axis=1), anchors
        self._open = {k: pieces[i] for k, i in enumerate(anchors)}
        self._largest_mm = np.zeros((anchors.size, pieces[0].mc_pct.shape[0]))
        self._species, self._members, self._work = species, members, work
        self._shape: Shape | None = None
        self._first: Movement | None = None

    @property
    def first(self) -> Movement:
        """Movement by the end of the build, were the piece squared on the first date. [mm]."""
        self._work_out(0)
        assert self._first is not None  # noqa: S101 - the first anchor is the first date
        return self._first

    def largest_mm(self) -> Floats:
        """Largest movement during the build for every date, shape (nt, m), [mm]."""
        for anchor in range(self._between.shape[1]):
            self._work_out(anchor)
        return self._laid_between()

    def largest_on_mm(self, dates: NDArray[np.bool_]) -> Floats:
        """Largest movement during the build begun on some dates, to the bit as of all, (k, m), [mm]."""
        for anchor in np.flatnonzero(self._between[dates].any(axis=0)):
            self._work_out(int(anchor))
        return np.asarray(self._laid_between()[dates])  # anchors left out weigh exactly nothing there

    @property
    def stretches(self) -> tuple[slice, ...]:
        """Dates between one date for which a build is run and the next, the last by itself."""
        return tuple(
            slice(first, last) for first, last in pairwise([*self._anchors.tolist(), self._between.shape[0]])
        )

    def _laid_between(self) -> Floats:
        return np.asarray(self._between @ self._largest_mm * build_draw(self._largest_mm.shape[1]))

    def _work_out(self, anchor: int) -> None:
        if (piece := self._open.pop(anchor, None)) is None:
            return
        at_s = piece.posix_s + self._work.build_days * DAY_S * np.array([0.0, 0.5, 1.0])
        cut, half, end = dried(piece.section, piece, at_s, self._members, self._work)
        if self._shape is None:
            self._shape = Shape(piece.section, self._species, cut.x_edges_mm, cut.y_edges_mm, self._members)
        did = self._shape.did(cut.mc_pct)
        if anchor == 0:
            self._first = self._shape.movement_between(did, end.mc_pct)
        both = self._shape.movement_between(did, np.array([half.mc_pct, end.mc_pct]))
        self._largest_mm[anchor] = both.largest_mm.max(axis=0)


@dataclass(frozen=True, kw_only=True, eq=False)  # without slots: what is asked again and again is kept
class Path:
    """Movement to come, were the piece squared on each candidate date.

    Parameters
    ----------
    posix_s : ndarray, shape (nt,)
        Candidate dates. [s]
    shape : Shape
        The finished piece.
    did_mm : ndarray, shape (nt, m, measures)
        What each measure has done by each date, see `Shape.did`. [mm]
    mean_pct : ndarray, shape (nt, m)
        Mean moisture of the finished piece. [%]
    building : Build or None
        What the piece does while the work goes on; None where it goes into service at once.
    first_done : ndarray, shape (m,)
        Share of its shrinkage toward service that the piece has done today. [-]
    rule : Rule
        What readiness means.
    """

    posix_s: Floats
    shape: Shape
    did_mm: Floats
    mean_pct: Floats
    building: Build | None
    first_done: Floats
    rule: Rule
    # conditions by use: a verdict asks for those of its own some twenty times
    _stood: dict[UseClass | None, dict[What, NDArray[np.bool_]]] = field(
        default_factory=dict, init=False, repr=False
    )

    @cached_property
    def build_mm(self) -> Floats:
        """Largest movement while the work goes on; 0 without a work. Shape (nt, m), [mm]."""
        return np.zeros(self.mean_pct.shape) if self.building is None else self.building.largest_mm()

    @property
    def build(self) -> Movement | None:
        """Movement by the end of the build, were it squared today; None without a work. [mm]."""
        return None if self.building is None else self.building.first

    def largest_mm(self, service_mc_pct: Floats | None = None) -> Floats:
        """Movement that a tolerance is held against, shape (nt, m), [mm].

        Parameters
        ----------
        service_mc_pct : ndarray, shape (m,), optional
            Another service moisture than the rule's. [%]
        """
        service = self.rule.service_mc_pct if service_mc_pct is None else service_mc_pct
        settled = self.shape.movement_from(self.did_mm, service).largest_mm
        return np.asarray(np.maximum(settled, self.build_mm))

    def conditions(self, use: UseClass | None = None) -> dict[What, NDArray[np.bool_]]:
        """Whether each member stands each condition of its own use or another on each date, (nt, m) each.

        The arrays are read-only.
        """
        if use not in self._stood:
            self._stood[use] = self._conditions(use)
        return dict(self._stood[use])

    def _conditions(self, use: UseClass | None) -> dict[What, NDArray[np.bool_]]:
        rule = self.rule
        if use is not None:
            size_mm = (self.shape.section.width_mm, self.shape.section.depth_mm)
            rule = Rule.of(rule.species, use, size_mm, self.mean_pct.shape[1], wanted=rule.wanted)
            found = rule.conditions(self.shape, self.did_mm, self.mean_pct)
        else:
            found = dict(self._before_build)
        if self.building is not None:
            found["build"] = self.build_mm <= rule.tolerance_mm
        for each in found.values():
            each.flags.writeable = False
        return found

    @cached_property
    def _before_build(self) -> dict[What, NDArray[np.bool_]]:
        """The conditions of its own use but the build's; a verdict asks for them twenty times."""
        found = self.rule.conditions(self.shape, self.did_mm, self.mean_pct)
        for stood in found.values():
            stood.flags.writeable = False
        return found

    def ready(self, use: UseClass | None = None) -> NDArray[np.bool_]:
        """Whether each member may be squared on each date, for its own use or another, shape (nt, m)."""
        if (use or self.rule.use).may_stay_wet:
            return np.ones(self.mean_pct.shape, dtype=bool)
        if use is None and self.building is not None:
            return self._ready
        return np.asarray(np.logical_and.reduce(list(self.conditions(use).values())))

    @cached_property
    def ready_before_build(self) -> NDArray[np.bool_]:
        """Whether each member stands all conditions of its own use but the build's, (nt, m)."""
        if self.rule.use.may_stay_wet:
            return np.ones(self.mean_pct.shape, dtype=bool)
        return np.asarray(np.logical_and.reduce(list(self._before_build.values())))

    @cached_property
    def _ready(self) -> NDArray[np.bool_]:
        """As `ready` with a build: on a date on which no member stands the rest, no build is asked for."""
        found = self.ready_before_build.copy()
        dates = np.asarray(found.any(axis=1))
        found[dates] &= self._largest_on_mm(dates) <= self.rule.tolerance_mm
        found.flags.writeable = False
        return found

    def _largest_on_mm(self, dates: NDArray[np.bool_]) -> Floats:
        """Give the build's movement on some dates, of which nothing has to be worked out twice."""
        assert self.building is not None  # noqa: S101 - asked by those who have looked
        if "build_mm" in self.__dict__:
            return np.asarray(self.build_mm[dates])
        return self.building.largest_on_mm(dates)

    def probability(self, use: UseClass | None = None, *, fits: NDArray[np.bool_] | None = None) -> Floats:
        """Chance on each date, with `fits` that the piece comes out of the member too, shape (nt,)."""
        ready = self.ready(use)
        return np.asarray((ready if fits is None else ready & fits).mean(axis=1))

    def chances(self, fits: NDArray[np.bool_] | None = None) -> Chances:
        """Return the chance of `square` on each date, `fits` as in `probability`."""
        ready = self.ready()
        return Chances(
            posix_s=self.posix_s,
            ready=np.asarray(ready.mean(axis=1)),
            with_room=np.asarray((ready if fits is None else ready & fits).mean(axis=1)),
            needed=self.rule.needed,
            needed_with_room=self.rule.needed_with_room,
        )

    def date(self, probability: float) -> datetime | None:
        """First candidate that is sure enough; the build is worked out no further than that takes."""
        if self.building is None or self.rule.use.may_stay_wet or "build_mm" in self.__dict__:
            return self.first(self.ready(), probability)
        before = self.ready_before_build
        which: NDArray[np.bool_] = np.zeros(self.mean_pct.shape[0], dtype=np.bool_)
        for date in np.flatnonzero(before.mean(axis=1) >= probability):
            which[:] = False
            which[date] = True
            stood = before[date] & (self.building.largest_on_mm(which)[0] <= self.rule.tolerance_mm)
            if stood.mean() >= probability:
                return datetime.fromtimestamp(float(self.posix_s[date]), UTC)
        return None

    def square(self, fits: NDArray[np.bool_] | None = None) -> datetime | None:
        """First candidate on which `square` may be said, `fits` as in `probability`."""
        return self.chances(fits).square()

    def first(self, stood: NDArray[np.bool_], probability: float) -> datetime | None:
        """First candidate on which so large a share of the members stands a condition of shape (nt, m)."""
        sure = np.flatnonzero(stood.mean(axis=1) >= probability)
        return None if sure.size == 0 else datetime.fromtimestamp(float(self.posix_s[sure[0]]), UTC)

    def days(self, stood: NDArray[np.bool_] | None = None) -> Floats:
        """Days until each member is ready, the horizon's end for one that is not, shape (m,), [d].

        Parameters
        ----------
        stood : ndarray of bool, shape (nt, m), optional
            One condition instead of all.
        """
        ready = self._first_ready if stood is None else stood
        ahead = (self.posix_s - self.posix_s[0]) / DAY_S
        return np.asarray(np.where(ready.any(axis=0), ahead[np.argmax(ready, axis=0)], ahead[-1]))

    @cached_property
    def _first_ready(self) -> NDArray[np.bool_]:
        """As `ready` up to each member's first date, after which it may be left out, shape (nt, m).

        Of a timber that dries, a few builds about that date are asked for, and none of the others.
        """
        if self.building is None or self.rule.use.may_stay_wet or "_ready" in self.__dict__:
            return self.ready()
        found: NDArray[np.bool_] = np.zeros(self.mean_pct.shape, dtype=np.bool_)
        waits: NDArray[np.bool_] = np.ones(self.mean_pct.shape[1], dtype=np.bool_)
        for stretch in self.building.stretches:
            dates: NDArray[np.bool_] = np.zeros(self.mean_pct.shape[0], dtype=np.bool_)
            dates[stretch] = (self.ready_before_build[stretch] & waits).any(axis=1)
            if dates.any():
                stood = self._largest_on_mm(dates) <= self.rule.tolerance_mm
                found[dates] = self.ready_before_build[dates] & stood
                waits &= ~found[stretch].any(axis=0)
        return found

    def spread_days(self, stood: NDArray[np.bool_] | None = None) -> float:
        """Return the standard deviation of `days`, with that of the step of the candidates, [d]."""
        step = float(np.diff(self.posix_s[:2]).sum()) / DAY_S / np.sqrt(12)
        return float(np.hypot(np.std(self.days(stood)), step))

    def today(self, service_mc_pct: float | Floats) -> Movement:
        """Movement to a service moisture content, were it squared today."""
        return self.shape.movement_from(self.did_mm[0], service_mc_pct)


@lru_cache(maxsize=16)
def build_draw(members: int, seed: int = 13) -> Floats:
    """Factor of every member on the movement during its build, the same at every call.

    Dry wood under other laws than ours moves faster or more slowly to the air of the shop, and nothing read
    of the wet timber tells.

    Parameters
    ----------
    members : int
        How many.
    seed : int
        Seed of the order.

    Returns
    -------
    ndarray, shape (members,)
        Lognormal about 1, in even steps of probability; read-only. [-]
    """
    even = scipy.special.ndtri((np.arange(members) + 0.5) / members)
    draw = np.exp(BUILD_SD * even[np.random.default_rng(seed).permutation(members)])
    draw.flags.writeable = False
    return np.asarray(draw)


def path(
    forecast: Forecast,
    finished: Finished,
    rule: Rule,
    *,
    members: solver.Members | None = None,
    work: Work | None = None,
) -> Path:
    """Work out the movement to come for every candidate date.

    Parameters
    ----------
    forecast : Forecast
        The timber ahead, whole or roughed out. [%]
    finished : Finished
        The piece in the axes of the forecast's section. [mm]
    rule : Rule
        What readiness means.
    members : Members, optional
        The ensemble, whose shrinkage differs from member to member; needed with a work.
    work : Work, optional
        The build; without it the piece goes into service at once.

    Returns
    -------
    Path
        Movement, moisture and readiness by date.
    """
    fields = forecast.fields[::EVERY]
    pieces = solver.cut_each(fields, finished)
    section = finished.inside(fields[0].section)
    shape = Shape(section, rule.species, pieces[0].x_edges_mm, pieces[0].y_edges_mm, members)
    did, mean = [], []
    few = max(DATES_TOGETHER // pieces[0].mc_pct.size, 1)
    for first in range(0, len(pieces), few):
        mc = np.array([piece.mc_pct for piece in pieces[first : first + few]])
        did.append(shape.did(mc))
        mean.append(np.sum(mc * pieces[0].area_mm2, axis=(-2, -1)) / pieces[0].area_mm2.sum())
    return Path(
        posix_s=forecast.posix_s[::EVERY],
        shape=shape,
        did_mm=np.concatenate(did),
        mean_pct=np.concatenate(mean),
        building=None
        if work is None or not work.build_days > 0
        else Build(pieces, rule.species, members, work),
        first_done=shape.done(pieces[0].mc_pct, rule.service_mc_pct),
        rule=rule,
    )


def dried(
    section: Section, piece: MoistureField, at_s: Floats, members: solver.Members | None, work: Work
) -> tuple[MoistureField, ...]:
    """Dry a squared piece through its build, every possible year dealt to as many members.

    Parameters
    ----------
    section : Section
        The piece. [mm]
    piece : MoistureField
        Its moisture when it is squared. [%]
    at_s : ndarray, shape (n,)
        Moments, POSIX seconds. [s]
    members : Members or None
        The ensemble.
    work : Work
        The build.

    Returns
    -------
    tuple of MoistureField
        One a moment. [%]
    """
    airs = work.futures if work.futures and members is not None and piece.mc_pct.ndim == 3 else (work.air,)
    parts = []
    for i, air in enumerate(airs):
        mine = piece if len(airs) == 1 else piece.some(slice(i, None, len(airs)))
        parts.append(
            solver.dry(
                section, mine, air, work.law, start_posix_s=piece.posix_s, at_posix_s=at_s,
                members=members if len(airs) == 1 or members is None else _dealt(members, len(airs))[i],
                cells=BUILD_CELLS, error_pct=BUILD_ERROR_PCT, threads=work.threads, near_faces=False,
            )
        )  # fmt: skip
    if len(parts) == 1:
        return parts[0]
    return tuple(MoistureField.dealt(moment, piece) for moment in zip(*parts, strict=True))


@lru_cache(maxsize=1)  # the same ones for every date of a build, so that what they have is laid out once
def _dealt(members: solver.Members, parts: int) -> tuple[solver.Members, ...]:
    return tuple(members.some(slice(i, None, parts)) for i in range(parts))
