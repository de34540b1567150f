"""One timber as a plan of the air sees it: a thinned ensemble that can be dried in any air, quickly."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from baulk.models import checking, forecast, sorption
from baulk.models.air import AirSeries
from baulk.models.calibrate.calibration import Calibration
from baulk.models.checking import Floor
from baulk.models.constants import DAY_S, Floats
from baulk.models.diffusion import DiffusionLaw
from baulk.models.distortion.movement import Shape
from baulk.models.drying import outer_layers, outer_march, solver
from baulk.models.drying.grid import graded_edges_mm, moved, section_edges_mm
from baulk.models.drying.solver import Members
from baulk.models.face_cover import Covers
from baulk.models.field import MoistureField
from baulk.models.section import Finished
from baulk.models.species import Species
from baulk.models.surface import course
from baulk.models.surface.course import Surface
from baulk.models.timber import Event, Timber
from baulk.models.use_class import UseClass
from baulk.models.verdict import readiness
from baulk.models.verdict.chances import Chances
from baulk.models.verdict.rule import Rule

Part = Literal["dry", "beside", "keep", "wet"]  # to be dried; green beside it; finished; may stay wet

MEMBERS: Final = 16
CELLS: Final = (8, 8)
ERROR_PCT: Final = 0.2
SPARE: Final = 3  # looks at a timber beyond the one at which its last member was ready in the air before
SETTLING_C: Final = 15.0
SETTLING_RH: Final = 65.0
SETTLING_FROM_PCT: Final = 6.0  # a small step, for diffusion slows as wood dries
WEEK_S: Final = 7 * DAY_S


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stock:
    """A timber in the room.

    Parameters
    ----------
    timber : Timber
        The timber.
    species : Species
        Its wood.
    use : UseClass
        Its use.
    law : DiffusionLaw
        How its wood lets water through.
    start : MoistureField
        Moisture now, every member. [%]
    members : Members
        The members.
    part : {"dry", "beside", "keep", "wet"}
        What the room is to do for it.
    wanted : float
        How sure a verdict has to be. [-]
    build_days : float
        From squaring to service. [d]
    surface : Surface or None
        Its surface now, of the same members, and the driest that it has stood; without one it is read off
        `start`.
    told : Chances or None
        What its verdict tells of the dates ahead if nothing is done.
    expansion_factor : float
        Timbers like it whose water counts with its own, itself included, by volume; as `representatives`
        has it. [-]
    """

    timber: Timber
    species: Species
    use: UseClass
    law: DiffusionLaw
    start: MoistureField
    members: Members
    part: Part
    wanted: float = 0.9
    build_days: float = readiness.BUILD_DAYS
    surface: Surface | None = None
    told: Chances | None = None
    expansion_factor: float = 1.0
    _kept: dict[str, Any] = field(default_factory=dict, repr=False)

    @property
    def tag(self) -> str:
        """Its tag."""
        return self.timber.tag

    @property
    def finished(self) -> Finished:
        """The squared piece wanted from it."""
        return self.timber.finished

    @property
    def dry_kg(self) -> float:
        """Oven-dry mass, [kg]."""
        section = self.timber.section
        volume_m3 = section.width_mm * section.depth_mm * self.timber.length_mm / 1e9
        return volume_m3 * self.species.basic_density_kg_m3

    @property
    def rule(self) -> Rule:
        """What readiness means for it; the same rule as its verdict's."""
        size_mm = (self.finished.width_mm, self.finished.depth_mm)
        return Rule.of(self.species, self.use, size_mm, self.members.size, wanted=self.wanted)

    def some(self, which: slice | NDArray[np.intp]) -> Stock:
        """Return it with a part of its members."""
        return replace(
            self,
            members=self.members.some(which),
            start=self.start.some(which),
            surface=None if self.surface is None else self.surface.some(which),
            _kept={},
        )

    def from_field(self, start: MoistureField) -> Stock:
        """Return it as it is at a later moment; its surface is read off the field then."""
        return replace(self, start=start, surface=None)

    def dried(
        self, air: AirSeries, at_s: Floats, *, faces: Covers | None = None, airflow: float = 1.0
    ) -> tuple[MoistureField, ...]:
        """Moisture at each moment in some air.

        Parameters
        ----------
        air : AirSeries
            From now on.
        at_s : ndarray, shape (n,)
            Moments, POSIX seconds. [s]
        faces : mapping of Face to FaceCover, optional
            What lies on its faces.
        airflow : float
            Factor on the surface conductance of every member. [-]
        """
        members = self.members
        if airflow != 1.0:
            members = replace(members, surface_factor=members.surface_factor * airflow)
        return solver.dry(
            self.start.section, self.start, air, self.law, start_posix_s=self.start.posix_s, at_posix_s=at_s,
            members=members, faces=faces, cells=CELLS, error_pct=ERROR_PCT, near_faces=False,
        )  # fmt: skip

    @property
    def skin(self) -> Surface:
        """Its surface now, of every member."""
        if self.surface is not None:
            return self.surface
        return course.fresh(self.species, outer_layers.from_field(self.start), self.members, self.law)

    @property
    def stood_pct(self) -> float:
        """Driest week that its surface has stood, infinite where nothing is known, [%]."""
        return float("inf") if self.surface is None else self.surface.stood_pct

    def surface_pct(
        self, air: AirSeries, weeks: int, *, faces: Covers | None = None, airflow: float = 1.0
    ) -> Floats:
        """Moisture of its driest face in some air, the mean of each week, shape (weeks, m), [%].

        Parameters
        ----------
        air : AirSeries
            From now on.
        weeks : int
            How many.
        faces : mapping of Face to FaceCover, optional
            What lies on its faces from now on; without it what lies there now.
        airflow : float
            Factor on the surface conductance of every member. [-]
        """
        now = self.skin
        wood = replace(now.members, surface_factor=now.members.surface_factor * airflow)
        at_s = now.layers.posix_s + WEEK_S * np.arange(1, weeks + 1)
        found = outer_march.march(
            now.layers, air, self.law, at_s, wood, faces=now.covers if faces is None else faces,
            step_s=WEEK_S,
        )  # fmt: skip
        return np.asarray(found.face_pct.min(axis=1))

    def _shape(self, piece: MoistureField) -> Shape:
        if "shape" not in self._kept:
            section = self.finished.inside(self.start.section)
            self._kept["shape"] = Shape(
                section, self.species, piece.x_edges_mm, piece.y_edges_mm, self.members
            )
        found: Shape = self._kept["shape"]
        return found

    def settling(self) -> Floats:
        """Share of its way to new air that the squared piece goes by half the build and by its end."""
        if "settling" not in self._kept:
            piece = self.finished.inside(self.start.section)
            held = AirSeries(
                posix_s=np.array([0.0]), temp_c=np.array([SETTLING_C]), rh_pct=np.array([SETTLING_RH])
            )
            emc = float(sorption.emc_pct(SETTLING_C, SETTLING_RH)) + self.members.emc_offset_pct
            fields = solver.dry(
                piece, emc + SETTLING_FROM_PCT, held, self.law, start_posix_s=0.0,
                at_posix_s=self.build_days * DAY_S * np.array([0.5, 1.0]), members=self.members,
                cells=CELLS, error_pct=ERROR_PCT, near_faces=False,
            )  # fmt: skip
            left = np.array([each.mean_pct for each in fields]) - emc
            self._kept["settling"] = np.clip(1 - left / SETTLING_FROM_PCT, 0.0, 1.0)
        found: Floats = self._kept["settling"]
        return found

    def excess_mm(self, fields: tuple[MoistureField, ...], ahead_pct: Floats | None = None) -> Floats:
        """Movement to come beyond what its use tolerates, were it squared then, shape (n, m), [mm].

        A proxy of the verdict's rule: each measure of the outline goes, while the work goes on, the share
        `settling` of its way to the mean EMC of the half-year and the year ahead, where the rule dries the
        squared piece itself. What its use asks of the mean moisture at squaring counts as movement, a tenth
        of the tolerance a point.

        Parameters
        ----------
        fields : tuple of MoistureField
            Of the whole timber, n moments. [%]
        ahead_pct : ndarray, shape (2, n), optional
            Mean EMC over half the build and over the build from each moment on; without it none counts. [%]
        """
        mc = np.concatenate([each.mc_pct for each in fields])
        return self._excess_mm(replace(fields[0], mc_pct=mc, potential=None), len(fields), ahead_pct)

    def excess_until_ready_mm(self, air: AirSeries, at_s: Floats, ahead_pct: Floats) -> Floats:
        """As `excess_mm` in some air, maybe only up to the moments by which every member is ready.

        A timber is followed as far as it took the last time, and on to the end only where that is not enough.
        What stands before the last four weeks of a run is the same to the bit however long the run goes on:
        its steps are eight days at most, and the end moves the last two of them.

        Parameters
        ----------
        air : AirSeries
            From now on. [degC, %]
        at_s : ndarray, shape (n,)
            Moments at least four weeks apart, POSIX seconds. [s]
        ahead_pct : ndarray, shape (2, n)
            As in `excess_mm`. [%]

        Returns
        -------
        ndarray, shape (k, m)
            k is n where a member is not ready. [mm]
        """
        few = self._kept.get("enough", at_s.size)
        if few < at_s.size:
            found = self._followed_mm(air, at_s[: few + 1], ahead_pct[:, : few + 1])[:few]
            if (found <= 0).any(axis=0).all():
                return found
        found = self._followed_mm(air, at_s, ahead_pct)
        ready = found <= 0
        if ready.any(axis=0).all():
            self._kept["enough"] = int(np.argmax(ready, axis=0).max()) + SPARE
        return found

    def _followed_mm(self, air: AirSeries, at_s: Floats, ahead_pct: Floats) -> Floats:
        start = self.start
        mc = solver.dried_pct(
            start.section, start, air, self.law, at_posix_s=at_s, members=self.members, cells=CELLS,
            error_pct=ERROR_PCT,
        )  # fmt: skip
        x, y = section_edges_mm(start.section, CELLS)
        whole = MoistureField(
            posix_s=start.posix_s, section=start.section, x_edges_mm=x, y_edges_mm=y,
            mc_pct=mc.reshape(-1, *mc.shape[2:]),
        )  # fmt: skip
        return self._excess_mm(whole, at_s.size, ahead_pct)

    def _excess_mm(self, whole: MoistureField, count: int, ahead_pct: Floats | None) -> Floats:
        """As `excess_mm`, of all moments in one field."""
        rule, piece = self.rule, solver.cut(whole, self.finished)
        shape = self._shape(piece)
        did = shape.did(piece.mc_pct.reshape(count, self.members.size, *piece.mc_pct.shape[1:]))
        dry_mm, damp_mm = self.use.season_limits_mm(shape.section.width_mm, shape.section.depth_mm)
        settles = ahead_pct is not None and self.build_days > 0
        to_pct: list[Floats | float] = [rule.service_mc_pct]
        if ahead_pct is not None and settles:
            to_pct += [emc[:, None] + self.members.emc_offset_pct for emc in ahead_pct]
        if dry_mm is not None or damp_mm is not None:
            to_pct += [self.use.service_low_pct, self.use.service_high_pct]
        # one call for all of them: each by itself costs as much as all together
        each_pct = np.concatenate([np.broadcast_to(one, did.shape[:2]) for one in to_pct])
        moved = shape.movement_from(np.concatenate([did] * len(to_pct)), each_pct)
        by_mm = moved.largest_mm.reshape(len(to_pct), *did.shape[:2])
        largest = by_mm[0]
        if settles:
            for share, one in zip(self.settling(), by_mm[1:], strict=False):
                largest = np.maximum(largest, share * one)
        excess = largest - rule.tolerance_mm
        if dry_mm is not None:
            shrinks = moved.shrinkage_mm.reshape(by_mm.shape)[-2]
            excess = np.maximum(excess, shrinks - dry_mm)
        if damp_mm is not None:
            swells = moved.swelling_mm.reshape(by_mm.shape)[-1]
            excess = np.maximum(excess, swells - damp_mm)
        most = self.use.max_mc_at_squaring_pct
        if most is not None:
            above = piece.mean_pct.reshape(count, -1) - most
            excess = np.maximum(excess, 0.1 * rule.tolerance_mm * above)
        return np.asarray(excess)

    def path(
        self,
        fields: tuple[MoistureField, ...],
        at_s: Floats,
        air: AirSeries,
        *,
        years: tuple[AirSeries, ...] = (),
    ) -> readiness.Path:
        """Work out the verdict's own rule, the build in this air included, for every second moment.

        With `years` the builds of its members are dealt to them, one after the other.
        """
        ahead = forecast.Forecast(
            posix_s=at_s,
            quantiles=np.array(forecast.QUANTILES),
            fields=fields,
        )
        work = readiness.Work(air=air, law=self.law, build_days=self.build_days, futures=years)
        return readiness.path(ahead, self.finished, self.rule, members=self.members, work=work)

    def stages(self) -> tuple[Floor, ...]:
        """Stages of the mildest published safe start of its wood, none where none is known."""
        section = self.timber.section
        start = checking.start_for(self.species, min(section.width_mm, section.depth_mm))
        return () if start is None else start.stages


def stock(  # noqa: PLR0913 - what a plan needs of a timber
    timber: Timber,
    species: Species,
    use: UseClass,
    calibration: Calibration,
    *,
    law: DiffusionLaw,
    part: Part,
    wanted: float,
    build_days: float,
    air_past: AirSeries | None = None,
    events: Sequence[Event] = (),
    gaps: Sequence[tuple[float, float]] = (),
) -> Stock:
    """Take what a plan needs out of a timber's calibration: every n-th member.

    Parameters
    ----------
    timber, species, use
        The timber, its wood, its use.
    calibration : Calibration
        Its ensemble now. [%]
    law : DiffusionLaw
        How its wood lets water through.
    part : {"dry", "beside", "keep", "wet"}
        What the room is to do for it.
    wanted : float
        How sure a verdict has to be. [-]
    build_days : float
        From squaring to service. [d]
    air_past : AirSeries, optional
        Air since it came, for its surface. [degC, %]
    events, gaps
        As `calibrate.fit` takes them, for the same.

    Returns
    -------
    Stock
        At most `MEMBERS` members.

    References
    ----------
    None: members are drawn in no order, so that every fourth is as good a draw.
    """
    every = slice(None, None, max(1, calibration.members.size // MEMBERS))
    now = calibration.field_now
    made = Stock(
        timber=timber,
        species=species,
        use=use,
        law=law,
        start=_coarse(now.some(every)),
        members=calibration.members.some(every),
        part=part,
        wanted=wanted,
        build_days=build_days,
    )
    if air_past is None:
        return made
    surface = course.since_arrival(
        timber, species, calibration, air_past, law=law, events=events, gaps=gaps, members=MEMBERS
    )
    return replace(made, surface=surface)


def ready_days(excess_mm: Floats, at_s: Floats) -> Floats:
    """Days until each member's movement is within its tolerance, the last day for one that never is.

    Parameters
    ----------
    excess_mm : ndarray, shape (n, m)
        From `Stock.excess_mm`. [mm]
    at_s : ndarray, shape (n,)
        Moments, POSIX seconds. [s]

    Returns
    -------
    ndarray, shape (m,)
        Days from the first moment, by straight lines between them. [d]

    References
    ----------
    None: a first crossing.
    """
    days, below = (at_s - at_s[0]) / DAY_S, excess_mm <= 0
    first, ever = np.argmax(below, axis=0), below.any(axis=0)
    found = np.where(ever, days[first], days[-1])
    for j in np.flatnonzero((first > 0) & ever):
        high, low = excess_mm[first[j] - 1, j], excess_mm[first[j], j]
        found[j] -= (days[first[j]] - days[first[j] - 1]) * -low / max(high - low, 1e-9)
    return np.asarray(found)


def _coarse(field: MoistureField) -> MoistureField:
    """Put a field on the cells of a plan, so that no run has to."""
    x, y = (
        graded_edges_mm(field.section.width_mm, CELLS[0]),
        graded_edges_mm(field.section.depth_mm, CELLS[1]),
    )
    mc = moved(field.mc_pct, field.x_edges_mm, field.y_edges_mm, x, y)
    return replace(field, x_edges_mm=x, y_edges_mm=y, mc_pct=mc)


def mean_pct(fields: tuple[MoistureField, ...]) -> Floats:
    """Mean moisture of the section, shape (n, m).

    Parameters
    ----------
    fields : tuple of MoistureField
        Of one timber, an ensemble. [%]

    Returns
    -------
    ndarray, shape (n, m)
        Section mean. [%]

    References
    ----------
    None: a mean over the cells' areas.
    """
    area = fields[0].area_mm2
    mc = np.array([each.mc_pct for each in fields])
    return np.asarray(np.sum(mc * area, axis=(-2, -1)) / area.sum())
