"""Each thing that could be done with one timber, followed by its own ensemble until it may be squared."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from baulk.models import checking, creep, forecast
from baulk.models.air import AirSeries
from baulk.models.allowance.bend import Seen
from baulk.models.allowance.chance import ComesOut
from baulk.models.allowance.parts import Ask
from baulk.models.calibrate.calibration import Calibration
from baulk.models.checking import DECIDED_ABOVE_PCT
from baulk.models.constants import DAY_S
from baulk.models.diffusion import DiffusionLaw
from baulk.models.drying import outer_layers, solver
from baulk.models.drying.outer_march import STEP_S
from baulk.models.face_cover import FaceCover
from baulk.models.forecast import Forecast
from baulk.models.plan.choices.choice import Prices, What
from baulk.models.plan.humidity.ways import MOVE_H, MOVE_WEEKS
from baulk.models.section import Face, Finished, Kerf, Section, from_pith_mm
from baulk.models.species import Species
from baulk.models.surface import course
from baulk.models.surface.course import Surface
from baulk.models.timber import Timber
from baulk.models.use_class import UseClass, UseClassTable
from baulk.models.verdict import comes_out, readiness, rough_out
from baulk.models.verdict.comes_out import Recorded
from baulk.models.verdict.readiness import Path, Work
from baulk.models.verdict.rule import Rule

WEEK_S: Final = 7 * DAY_S
YEAR_WEEKS: Final = 52  # over which a bad check is counted
FIRST_WEEKS: Final = 2  # followed by the day; the rest by half a week, for its air is smooth
OTHER_USES: Final = 3  # that are told of
STEP_MM: Final = 5.0

# hours of one person's work: four faces of a large timber sawn or planed with its handling by two; a groove
# sawn to the heart; four faces brushed
SAW_H: Final = 3.0  # our own judgement, no source
KERF_H: Final = 1.5  # our own judgement, no source
COAT_H: Final = 1.0  # our own judgement, no source


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ahead:
    """The air that a place may expect.

    Parameters
    ----------
    years : tuple of AirSeries
        To the horizon, as different as years are. [degC, %]
    usual : AirSeries
        The season's mean to the end of the last build. [degC, %]
    building : tuple of AirSeries
        Years to the end of the last build. [degC, %]
    """

    years: tuple[AirSeries, ...]
    usual: AirSeries
    building: tuple[AirSeries, ...]

    def then(self, other: Ahead, at_s: float) -> Ahead:
        """Return this air up to a moment and another place's from then on, year by year."""
        return Ahead(
            years=tuple(_joined(*both, at_s) for both in zip(self.years, other.years, strict=True)),
            usual=_joined(self.usual, other.usual, at_s),
            building=tuple(_joined(*both, at_s) for both in zip(self.building, other.building, strict=True)),
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Given:
    """Everything that the choices for a timber are worked out from.

    Parameters
    ----------
    timber : Timber
        The timber.
    species : Species
        Its wood.
    use : UseClass
        What it was entered for.
    uses : UseClassTable
        What else it could be for.
    law : DiffusionLaw
        How its wood lets water through.
    calibration : Calibration
        Its ensemble now. [%]
    surface : Surface
        Its surface now, of some of the same members.
    here : Ahead
        Air where it lies.
    elsewhere : mapping of str to Ahead
        Air of other places under a roof, by name.
    size : Recorded
        Its size as it was recorded last. [mm]
    seen : tuple of Seen
        Curves that were measured on timbers of the shop.
    prices : Prices
        What the shop pays.
    probability : float
        How sure a verdict has to be. [-]
    previous : str or None
        Step of the verdict before.
    build_days : float
        From squaring to service. [d]
    horizon_days : int
        How far to look. [d]
    step_mm : float
        The size to rough out to is told in multiples of it. [mm]
    spread : float
        As `forecast.forecast` takes it. [-]
    threads : int or None
        As `solver.dry` takes it.
    """

    timber: Timber
    species: Species
    use: UseClass
    uses: UseClassTable
    law: DiffusionLaw
    calibration: Calibration
    surface: Surface
    here: Ahead
    elsewhere: Mapping[str, Ahead] = field(default_factory=dict)
    size: Recorded
    seen: tuple[Seen, ...] = ()
    prices: Prices = field(default_factory=Prices)
    probability: float = 0.9
    previous: str | None = None
    build_days: float = readiness.BUILD_DAYS
    horizon_days: int = 730
    step_mm: float = STEP_MM
    spread: float = 1.0
    threads: int | None = None

    @property
    def now_s(self) -> float:
        """The moment that it speaks of, POSIX seconds."""
        return self.calibration.field_now.posix_s

    @property
    def rule(self) -> Rule:
        """What readiness means for it; the same rule as its verdict's."""
        finished = self.timber.finished
        return Rule.of(
            self.species,
            self.use,
            (finished.width_mm, finished.depth_mm),
            self.calibration.members.size,
            wanted=self.probability,
            kept=self.previous == "square",
        )

    @property
    def ask(self) -> Ask:
        """What its size is asked for. [mm]."""
        return comes_out.asked(self.timber, self.species, self.size, wanted=self.probability, seen=self.seen)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Way:
    """One thing that is done, member by member.

    Parameters
    ----------
    what : str
        One of `What`.
    values : dict
        What belongs to it.
    path : Path
        Movement, were it squared on each date.
    fits : ndarray of bool, shape (m,)
        Whether the finished piece comes out of each member.
    over : ndarray of bool, shape (k,), or None
        Whether a surface is asked for more than it stands.
    work_h : float
        Hours of work. [h]
    coat_m2 : float
        Area that is coated. [m2]
    lost_mm : (float, float)
        Oversize that the saw takes off now. [mm]
    today : bool
        Whether it is squared today whatever the verdict says.
    """

    what: What
    path: Path
    fits: NDArray[np.bool_]
    over: NDArray[np.bool_] | None
    values: dict[str, float | str] = field(default_factory=dict)
    work_h: float = 0.0
    coat_m2: float = 0.0
    lost_mm: tuple[float, float] = (0.0, 0.0)
    today: bool = False


def ways(given: Given, told: Callable[[What], None] = lambda _what: None) -> Iterator[Way]:
    """Follow each thing that could be done, one after the other.

    Parameters
    ----------
    given : Given
        The timber.
    told : callable, optional
        Called with what comes next, for whoever waits.

    Yields
    ------
    Way
        Leaving it first.

    References
    ----------
    The parts, the verdict's own: `forecast`, `readiness`, `rough_out`, `comes_out`, `surface.course`.
    """
    told("leave")
    timber = given.timber
    out = _fits(given, timber).fits
    coming = _coming(given, timber, given.calibration, given.here)
    left = _path(given, coming, timber.finished, given.here)
    weeks = _weeks(coming, left, out)
    yield Way(what="leave", path=left, fits=out, over=over(given, given.surface, [(0, given.here)], weeks))
    told("square")
    squared = _sawn(given, timber.finished)
    wet = float(np.median(solver.cut(given.calibration.field_now, timber.finished).mean_pct))
    yield Way(
        what="square",
        path=left,
        fits=out,
        over=over(given, squared, [(0, given.here)], YEAR_WEEKS if wet > DECIDED_ABOVE_PCT else 0),
        work_h=SAW_H,
        lost_mm=_lost(timber.section, timber.finished),
        today=True,
    )
    if not given.use.may_stay_wet:
        told("rough_out")
        yield from _roughed(given, out)
        told("kerf")
        yield from _kerfed(given)
    told("coat")
    yield from _coated(given, out)
    told("move")
    yield from _moved(given, out)
    told("use")
    yield from _for_other_uses(given, left, out, weeks)


def may_kerf(section: Section) -> Kerf | None:
    """Return the relief kerf that would be sawn: into the face nearest to the heart, down to it.

    Parameters
    ----------
    section : Section
        The timber. [mm]

    Returns
    -------
    Kerf or None
        None for one that is free of heart, or has a kerf.
    """
    if section.kerf is not None or not section.boxed_heart:
        return None
    reach = from_pith_mm(section)
    face = min(reach, key=lambda each: reach[each])
    return Kerf(face=face, depth_mm=reach[face])


def over(
    given: Given, now: Surface, phases: Sequence[tuple[int, Ahead]], weeks: int
) -> NDArray[np.bool_] | None:
    """Whether each member's surface is asked for more than boards of its wood stand, on any day.

    Parameters
    ----------
    given : Given
        The timber.
    now : Surface
        Where it begins.
    phases : sequence of (int, Ahead)
        First week and air of each stretch, the first from now on.
    weeks : int
        How long damage is decided, 0 for no longer. [weeks]

    Returns
    -------
    ndarray of bool or None
        None where no start of the wood is published.

    References
    ----------
    `baulk.models.surface.course`, as in the checking margin.
    """
    start = checking.start_for(given.species, given.timber.section.size_mm())
    if start is None:
        return None
    found = np.zeros(now.members.size, dtype=bool)
    stands = float(checking.surface_strain_pct(given.species, start.stages[0].emc_pct))
    breaks = creep.breaking_strain_pct(given.species) or np.inf
    ends = {0, min(FIRST_WEEKS, weeks), weeks, *(first for first, _ in phases if first < weeks)}
    for first, end in pairwise(sorted(ends)):
        air = next(each for week, each in reversed(phases) if week <= first)
        each_day, step_s = (course.A_DAY, STEP_S) if end <= FIRST_WEEKS else (1, course.FAR_S)
        now, days = course.follow(
            now, given.species, air.building, days=7 * (end - first), each=each_day, step_s=step_s,
            threads=given.threads,
        )  # fmt: skip
        found |= ((days.wanted_pct > stands) | (days.tension_pct > breaks)).any(axis=0)
    return found


def _coming(given: Given, timber: Timber, calibration: Calibration, air: Ahead) -> Forecast:
    """Follow the whole timber."""
    return forecast.forecast(
        timber, given.species, calibration, air.years, law=given.law, horizon_days=given.horizon_days,
        spread=given.spread, threads=given.threads,
    )  # fmt: skip


def _path(given: Given, coming: Forecast, piece: Finished, air: Ahead) -> Path:
    """Work out the piece squared out of it on every date."""
    work = Work(
        air=air.usual, law=given.law, build_days=given.build_days, futures=air.building, threads=given.threads
    )
    return readiness.path(coming, piece, given.rule, members=given.calibration.members, work=work)


def _fits(given: Given, timber: Timber) -> ComesOut:
    return comes_out.of_fit(
        timber, given.species, given.calibration, given.size, given.ask,
        service_mc_pct=given.rule.service_mc_pct,
    )  # fmt: skip


def _weeks(coming: Forecast, path: Path, fits: NDArray[np.bool_]) -> int:
    """Weeks for which damage is decided: while it is wet, until it is squared, and at most a year."""
    wet = coming.mean_pct[2] > DECIDED_ABOVE_PCT
    dry = coming.posix_s.size if wet.all() else int(np.argmin(wet))
    weeks = round((float(coming.posix_s[min(dry, wet.size - 1)]) - float(coming.posix_s[0])) / WEEK_S)
    when = path.square(fits)
    ready = YEAR_WEEKS if when is None else round((when.timestamp() - float(path.posix_s[0])) / WEEK_S)
    return min(weeks, ready, YEAR_WEEKS)


def _sawn(given: Given, piece: Finished) -> Surface:
    """Return the surface of a piece that is sawn out today: bare, and without stress."""
    every = slice(None, None, max(1, given.calibration.members.size // given.surface.members.size))
    field_now = solver.cut(given.calibration.field_now, piece).some(every)
    return course.fresh(
        given.species, outer_layers.from_field(field_now), given.calibration.members.some(every), given.law
    )


def _lost(section: Section, piece: Finished) -> tuple[float, float]:
    return section.width_mm - piece.width_mm, section.depth_mm - piece.depth_mm


def _roughed(given: Given, out: NDArray[np.bool_]) -> Iterator[Way]:
    """Saw it oversize today, and square it when it has settled."""
    found = rough_out.rough_out(
        given.timber, given.species, given.calibration, given.here.years, law=given.law, use=given.use,
        service_mc_pct=given.rule.service_mc_pct, ask=given.ask, horizon_days=given.horizon_days,
        step_mm=given.step_mm, spread=given.spread, threads=given.threads,
    )  # fmt: skip
    if found is None:
        return
    path = _path(given, found.forecast, found.inner, given.here)
    fits = found.fits & out  # no more comes out of it than out of the whole timber
    weeks = _weeks(found.forecast, path, fits)
    yield Way(
        what="rough_out",
        path=path,
        fits=fits,
        over=over(given, _sawn(given, found.piece), [(0, given.here)], weeks),
        values=dict(zip(("width_mm", "depth_mm"), found.size_mm, strict=True)),
        work_h=SAW_H,
        lost_mm=_lost(given.timber.section, found.piece),
    )


def _kerfed(given: Given) -> Iterator[Way]:
    """Saw a relief kerf to the heart today."""
    kerf = may_kerf(given.timber.section)
    if kerf is None:
        return
    timber = replace(given.timber, section=replace(given.timber.section, kerf=kerf))
    coming = _coming(given, timber, given.calibration, given.here)
    path, fits = _path(given, coming, timber.finished, given.here), _fits(given, timber).fits
    yield Way(
        what="kerf",
        path=path,
        fits=fits,
        over=over(given, given.surface, [(0, given.here)], _weeks(coming, path, fits)),
        values={"face": kerf.face.value, "depth_mm": kerf.depth_mm},
        work_h=KERF_H,
    )


def _coated(given: Given, out: NDArray[np.bool_]) -> Iterator[Way]:
    """Coat its four long faces today."""
    covers = given.calibration.covers or {}
    coat = dict.fromkeys(Face, FaceCover.COATED)
    if all(covers.get(face) in {FaceCover.COATED, FaceCover.WRAPPED} for face in Face):
        return
    coming = _coming(given, given.timber, replace(given.calibration, covers=coat), given.here)
    path = _path(given, coming, given.timber.finished, given.here)
    section = given.timber.section
    area_m2 = 2 * (section.width_mm + section.depth_mm) * given.timber.length_mm / 1e6
    now = replace(given.surface, covers=coat)
    yield Way(
        what="coat",
        path=path,
        fits=out,
        over=over(given, now, [(0, given.here)], _weeks(coming, path, out)),
        work_h=COAT_H,
        coat_m2=area_m2,
    )


def _moved(given: Given, out: NDArray[np.bool_]) -> Iterator[Way]:
    """Take it to another place, now or later."""
    for place, there in given.elsewhere.items():
        for week in MOVE_WEEKS:
            air = given.here.then(there, given.now_s + week * WEEK_S) if week else there
            coming = _coming(given, given.timber, given.calibration, air)
            path = _path(given, coming, given.timber.finished, air)
            phases = [(0, given.here), (week, there)] if week else [(0, there)]
            yield Way(
                what="move",
                path=path,
                fits=out,
                over=over(given, given.surface, phases, _weeks(coming, path, out)),
                values={"place": place, "week": float(week)},
                work_h=MOVE_H,
            )


def _for_other_uses(given: Given, left: Path, out: NDArray[np.bool_], weeks: int) -> Iterator[Way]:
    """Leave it as it is, for a use that it is ready for sooner than for its own."""
    mine, found = left.square(out), []
    for use in given.uses.every():
        path = _used_for(left, use)
        when = path.square(out)
        if use.name != given.use.name and when is not None and (mine is None or when < mine):
            found.append((when.timestamp(), use.name, path))
    for at_s, _, path in sorted(found, key=lambda each: each[:2])[:OTHER_USES]:
        yield Way(
            what="use",
            path=path,
            fits=out,
            over=over(
                given, given.surface, [(0, given.here)], min(weeks, round((at_s - given.now_s) / WEEK_S))
            ),
            values={"use": path.rule.use.title},
        )


def _used_for(path: Path, use: UseClass) -> Path:
    """Return the same timber held to another use's conditions."""
    section = path.shape.section
    size_mm = (section.width_mm, section.depth_mm)
    rule = Rule.of(path.rule.species, use, size_mm, path.mean_pct.shape[1], wanted=path.rule.wanted)
    return replace(path, rule=rule)


def _joined(first: AirSeries, then: AirSeries, at_s: float) -> AirSeries:
    """Go on in another air from a moment on."""
    before, after = first.posix_s < at_s, then.posix_s >= at_s
    return AirSeries(
        posix_s=np.concatenate([first.posix_s[before], then.posix_s[after]]),
        temp_c=np.concatenate([first.temp_c[before], then.temp_c[after]]),
        rh_pct=np.concatenate([first.rh_pct[before], then.rh_pct[after]]),
    )
