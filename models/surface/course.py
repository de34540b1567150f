"""The surface of a timber since it came, and in any air ahead: its strain and its tension, face by face.

Everything that speaks of checking (verdict, stored evaluation, notices, the plan of a room's air) takes it
from here: one computation, in the moisture of the faces themselves (`baulk.models.drying.outer_layers`), each
day by its mean, since what lasts hours reaches tenths of a millimetre. Of several faces the one that is asked
for most counts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from baulk.models import checking, creep, sapwood
from baulk.models.air import AirSeries
from baulk.models.calibrate import parameters
from baulk.models.calibrate.calibration import Calibration
from baulk.models.calibrate.inputs import history, mean_emc_pct
from baulk.models.constants import DAY_S, Floats
from baulk.models.creep import Strained
from baulk.models.diffusion import DiffusionLaw
from baulk.models.drying import outer_layers, outer_march
from baulk.models.drying.members import Members
from baulk.models.drying.outer_layers import Course, OuterLayers
from baulk.models.drying.outer_march import STEP_S
from baulk.models.face_cover import Covers, Schedule
from baulk.models.section import Section
from baulk.models.species import Species
from baulk.models.timber import Event, Timber

MEMBERS: Final = 32  # of the ensemble; tried with 64: the same to 0.1 points of strain
CLOSE_DAYS: Final = 30.0  # before now; the steps of longer ago are half a week, for a surface forgets
FAR_S: Final = 3.5 * DAY_S
A_DAY: Final = round(DAY_S / STEP_S)
FIRST_WEEKS: Final = 4  # after which what a surface has stood counts; our own judgement, no source
WEEK: Final = 7


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Surface:
    """The outer layers of a timber now, and what they have been through.

    Parameters
    ----------
    layers : OuterLayers
        Moisture of every member now. [%]
    strained : Strained
        Stretch and creep of the outer centimetre. [% of length]
    members : Members
        The members.
    law : DiffusionLaw
        How its wood lets water through.
    covers : mapping of Face to FaceCover or None
        What lies on its faces.
    wanted_pct : ndarray, shape (m,)
        Strain wanted on the last day, see `checking.surface_strain_pct`. [% of length]
    tension_pct : ndarray, shape (m,)
        Elastic strain of the outer centimetre on the last day, after creep. [% of length]
    stood_pct : float
        Driest week that its driest face has stood since the first month, median of the members. [%]
    """

    layers: OuterLayers
    strained: Strained
    members: Members
    law: DiffusionLaw
    covers: Covers | None
    wanted_pct: Floats
    tension_pct: Floats
    stood_pct: float = float("inf")

    def some(self, which: slice | NDArray[np.intp]) -> Surface:
        """Return it with a part of its members."""
        return replace(
            self,
            layers=self.layers.some(which),
            strained=self.strained.some(which),
            members=self.members.some(which),
            wanted_pct=self.wanted_pct[which],
            tension_pct=self.tension_pct[which],
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Days:
    """A surface over some days, of which each array gives the means; d of them, or weeks.

    Parameters
    ----------
    posix_s : ndarray, shape (d,)
        End of each. [s]
    wanted_pct, tension_pct : ndarray, shape (d, m)
        As in `Surface`, of the face that is asked for most. [% of length]
    surface_pct : ndarray, shape (d, m)
        Moisture of the driest face. [%]
    """

    posix_s: Floats
    wanted_pct: Floats
    tension_pct: Floats
    surface_pct: Floats


def fresh(
    species: Species,
    layers: OuterLayers,
    members: Members,
    law: DiffusionLaw,
    covers: Covers | None = None,
) -> Surface:
    """Return a surface of whose past nothing is known, without stress.

    Parameters
    ----------
    species : Species
        For the onset of shrinkage. [%]
    layers : OuterLayers
        Moisture now. [%]
    members, law, covers
        As in `Surface`.

    Returns
    -------
    Surface
        Nothing wanted and no tension yet. [% of length]
    """
    none = np.zeros(members.size)
    return Surface(
        layers=layers,
        strained=_rested(species, layers),
        members=members,
        law=law,
        covers=covers,
        wanted_pct=none,
        tension_pct=none,
    )


def follow(  # noqa: PLR0913 - a surface, its air, and what is put together
    before: Surface, species: Species, airs: Sequence[AirSeries], *, days: int, each: int = A_DAY,
    step_s: float = STEP_S, threads: int | None = None,
) -> tuple[Surface, Days]:  # fmt: skip
    """Follow a surface through some air, or through several airs that are dealt to its members.

    Parameters
    ----------
    before : Surface
        Where it begins.
    species : Species
        Its wood.
    airs : sequence of AirSeries
        Possible airs from then on, at least one. [degC, %]
    days : int
        How long. [d]
    each : int
        Steps that are put together to one mean; as many as there are in a day.
    step_s : float
        Longest step, of which the days are a multiple. [s]
    threads : int, optional
        As `baulk.models.drying.solver.dry` takes it.

    Returns
    -------
    after : Surface
        Where it ends.
    days : Days
        Its means.
    """
    begin_s = before.layers.posix_s
    at_s = begin_s + step_s * np.arange(1, round(days * DAY_S / step_s) + 1)
    count = min(len(airs), before.members.size)
    parts = [
        outer_march.march(
            before.layers.some(slice(i, None, count)),
            air,
            before.law,
            at_s,
            before.members.some(slice(i, None, count)),
            faces=before.covers,
            step_s=step_s,
            threads=threads,
        )
        for i, air in enumerate(airs[:count])
    ]
    return _through(before, species, Course.dealt(parts), each)


def since_arrival(  # noqa: PLR0913 - a timber, its past and its air
    timber: Timber,
    species: Species,
    calibration: Calibration,
    air: AirSeries,
    *,
    law: DiffusionLaw,
    events: Sequence[Event] = (),
    gaps: Sequence[tuple[float, float]] = (),
    members: int = MEMBERS,
    threads: int | None = None,
) -> Surface:
    """Follow the surface of a timber from its arrival until now.

    Parameters
    ----------
    timber, species, air, law, events, gaps
        As `calibrate.fit` takes them.
    calibration : Calibration
        Its ensemble.
    members : int
        How many of it at most; every n-th is taken.
    threads : int, optional
        As `baulk.models.drying.solver.dry` takes it.

    Returns
    -------
    Surface
        Now. After planing it begins without stress.

    Notes
    -----
    The readings count by what they have taught of the wood, its air and its faces. The misfit that a fit adds
    to the model's field is left out: a surface follows its air.
    """
    every = slice(None, None, max(1, calibration.members.size // members))
    theta, now_s = calibration.theta[:, every], calibration.field_now.posix_s
    start_s = min(timber.arrived_utc.timestamp(), now_s)
    past = history(timber, events, air, start_s=start_s, now_s=now_s, gaps=gaps)
    wood = parameters.members(theta)
    layers = outer_layers.green(
        past.stretches[0].section,
        start_s,
        np.minimum(_green_pct(timber, species, past.stretches[0].section, wood), law.most_pct),
        air_pct=mean_emc_pct(air, start_s, now_s) + wood.emc_offset_pct,
        dried_mm=np.maximum(theta[parameters.DRIED], 0.0),
    )
    found, seen = fresh(species, layers, wood, law, past.covers), list[tuple[Days, int]]()
    for each in past.stretches:
        if replace(each.section, kerf=None) != replace(found.layers.section, kerf=None):
            layers = outer_layers.planed(found.layers, each.section)
            found = replace(found, layers=layers, strained=_rested(species, layers))
        found = replace(found, members=parameters.members(theta, silent=each.silent))
        close_s = min(max(now_s - CLOSE_DAYS * DAY_S, each.begin_s), each.end_s)
        for end_s, step_s in ((close_s, FAR_S), (each.end_s, STEP_S)):
            if end_s - found.layers.posix_s < 1.0:
                continue
            found, part = _until(found, species, air, past.faces, end_s, step_s, threads)
            seen.append((part, 1 if step_s == FAR_S else WEEK))
    return replace(found, members=wood, stood_pct=_stood(seen, start_s))


def _green_pct(timber: Timber, species: Species, section: Section, wood: Members) -> Floats:
    """Green moisture of each cell of the lines, heartwood's or sapwood's, shape (2, n, m), [%]."""
    assert wood.heartwood_mm is not None  # noqa: S101 - the members of a fit have one
    green = sapwood.green_pct(species, outer_layers.sapwood_shares(section, wood.heartwood_mm))
    start_of = 0.0 if timber.green_mc_pct is None else sapwood.share(section, wood.heartwood_mm)
    return np.asarray(wood.start_mc_pct * green / sapwood.green_pct(species, start_of))


def _rested(species: Species, layers: OuterLayers) -> Strained:
    width_mm = np.flatnonzero(layers.edges_mm[: layers.edges_mm.size // 2] < creep.OUTER_MM).size
    return creep.rested(np.zeros((4, width_mm, layers.mc_pct.shape[-1])), species.shrinkage_onset_pct)


def _through(before: Surface, species: Species, course: Course, each: int) -> tuple[Surface, Days]:
    """Follow strain and creep through a course; put every `each` moments together to one mean."""
    onset, tangential = species.shrinkage_onset_pct, species.shrinkage_tangential_pct
    done = course.mean_share(onset)
    width_mm, near = course.under_faces(creep.OUTER_MM)
    bound = np.minimum(near, onset)
    wants = tangential * (1 - bound / onset - done[:, None, None])
    strained, tension = creep.follow(before.strained, wants, bound, width_mm)
    wanted = checking.surface_strain_pct(species, course.face_pct, done[:, None])

    def mean(values: Floats) -> Floats:
        whole = values.shape[0] // each * each
        return np.asarray(values[:whole].reshape(-1, each, *values.shape[1:]).mean(axis=1))

    days = Days(
        posix_s=course.posix_s[each - 1 :: each],  # what is left at the end belongs to none
        wanted_pct=mean(wanted).max(axis=1),
        tension_pct=mean(tension).max(axis=1),
        surface_pct=mean(course.face_pct).min(axis=1),
    )
    after = replace(before, layers=course.at(-1), strained=strained)
    if days.wanted_pct.size:
        after = replace(after, wanted_pct=days.wanted_pct[-1], tension_pct=days.tension_pct[-1])
    return after, days


def _until(  # noqa: PLR0913, PLR0917 - as `follow`, in a time of any length
    before: Surface, species: Species, air: AirSeries, faces: Schedule, end_s: float, step_s: float,
    threads: int | None,
) -> tuple[Surface, Days]:  # fmt: skip
    """Follow a surface to a moment, the days, or where steps are longer the weeks, counted back from it."""
    begin_s = before.layers.posix_s
    back = np.arange(0.0, end_s - begin_s - 1.0, step_s)[::-1]
    course = outer_march.march(
        before.layers,
        air,
        before.law,
        end_s - back,
        before.members,
        faces=faces,
        step_s=step_s,
        threads=threads,
    )
    each = min(round((WEEK if step_s > DAY_S else 1) * DAY_S / step_s), back.size)
    over = back.size % each
    if not over:
        return _through(before, species, course, each)
    first, _ = _through(before, species, course.upto(over), over)
    after, days = _through(first, species, course.since(over), each)
    return after, days


def _stood(seen: Sequence[tuple[Days, int]], start_s: float) -> float:
    """Driest week of the driest face since the first month, of the median member.

    `seen` holds the parts of its past and how many of the means in each make a week.
    """
    driest = float("inf")
    for part, count in seen:
        surface = part.surface_pct[part.posix_s > start_s + FIRST_WEEKS * WEEK * DAY_S]
        weeks = surface.shape[0] // count
        if weeks:
            weekly = surface[surface.shape[0] - weeks * count :].reshape(weeks, count, -1).mean(axis=1)
            driest = min(driest, float(np.median(weekly, axis=1).min()))
    return driest
