"""What a calibrated timber will do under the air ahead."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cached_property
from typing import Final, Literal

import numpy as np

from baulk.models.air import AirSeries
from baulk.models.calibrate import ensemble
from baulk.models.calibrate.calibration import Calibration
from baulk.models.calibrate.inputs import mean_emc_pct
from baulk.models.constants import DAY_S, Floats
from baulk.models.diffusion import DiffusionLaw
from baulk.models.drying import solver, starts
from baulk.models.errors import OutOfRange
from baulk.models.field import MoistureField, parts_over, pins_over
from baulk.models.section import Face, Finished
from baulk.models.species import Species
from baulk.models.timber import Timber

Part = Literal["mean", "shell", "core"]
PARTS: Final[tuple[Part, ...]] = ("mean", "shell", "core")  # as `parts_over` has them

QUANTILES: Final = (0.05, 0.25, 0.5, 0.75, 0.95)


@dataclass(frozen=True, kw_only=True, eq=False)  # without slots: what was read of the fields is kept
class Forecast:
    """Moisture ahead, the first moment being now.

    Parameters
    ----------
    posix_s : ndarray, shape (nt,)
        Moments. [s]
    quantiles : ndarray, shape (5,)
        Shares of the ensemble that lie below each row.
    fields : tuple of MoistureField
        Every member's moisture at every moment. [%]
    """

    posix_s: Floats
    quantiles: Floats
    fields: tuple[MoistureField, ...]

    @property
    def mean_pct(self) -> Floats:
        """Section mean, shape (5, nt), [% of oven-dry mass]."""
        return self.quantiles_pct("mean")

    @property
    def shell_pct(self) -> Floats:
        """Outer fifth, shape (5, nt), [% of oven-dry mass]."""
        return self.quantiles_pct("shell")

    @property
    def core_pct(self) -> Floats:
        """Core, shape (5, nt), [% of oven-dry mass]."""
        return self.quantiles_pct("core")

    def members_pct(self, where: Part | float, face: Face | None = None) -> Floats:
        """Moisture of every member at one part or depth.

        Parameters
        ----------
        where : {"mean", "shell", "core"} or float
            Part of the section, or depth below the middle of a face. [mm]
        face : Face, optional
            Which face a depth is below; without one the mean of the four.

        Returns
        -------
        ndarray, shape (nt, m)
            Moisture content. [% of oven-dry mass]

        Raises
        ------
        OutOfRange
            If there is no such part, or the depth leaves the piece.
        """
        if isinstance(where, str):
            if where not in PARTS:
                raise OutOfRange("the part", f"is mean, shell, core or a depth, not {where!r}")
            return np.asarray(self._members_pct[PARTS.index(where)])
        return np.asarray(pins_over(self.fields, np.array([float(where)]), face)[:, 0])

    def quantiles_pct(self, where: Part | float, face: Face | None = None) -> Floats:
        """Give the quantiles of the moisture at one part or depth.

        Parameters
        ----------
        where, face
            As in `members_pct`. [mm]

        Returns
        -------
        ndarray, shape (5, nt)
            One row for each of `quantiles`. [% of oven-dry mass]
        """
        if where in PARTS:
            return np.asarray(self._quantiles_pct[PARTS.index(where)])
        return np.asarray(np.quantile(self.members_pct(where, face), self.quantiles, axis=1))

    @cached_property
    def _members_pct(self) -> Floats:
        """Mean, shell and core of every member, shape (3, nt, m), [%], read when one is asked for."""
        found = parts_over(self.fields)
        found.flags.writeable = False
        return found

    @cached_property
    def _quantiles_pct(self) -> Floats:
        """Mean, shell and core, shape (3, 5, nt), [%]."""
        found = np.quantile(self._members_pct, self.quantiles, axis=-1).swapaxes(0, 1)
        found.flags.writeable = False
        return found


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReachDates:
    """When one part or depth first comes down to a moisture content.

    Parameters
    ----------
    where : str or float
        Part of the section, or depth below a face. [mm]
    below_pct : float
        The threshold. [% of oven-dry mass]
    quantiles : ndarray, shape (5,)
        Shares of the ensemble that have reached it by each date.
    dates_utc : tuple of datetime or None
        The dates; None where that share does not reach it within the horizon.
    posix_s : ndarray, shape (nt,)
        Moments of the forecast. [s]
    probability : ndarray, shape (nt,)
        Share of the ensemble that has reached it by each moment; never falls. [-]
    member_posix_s : ndarray, shape (m,)
        When each member reaches it, infinite for never within the horizon. [s]
    """

    where: Part | float
    below_pct: float
    quantiles: Floats
    dates_utc: tuple[datetime | None, ...]
    posix_s: Floats
    probability: Floats
    member_posix_s: Floats

    def by(self, when_utc: datetime) -> float:
        """Probability of having reached it by a date.

        Parameters
        ----------
        when_utc : datetime
            The date, with a time zone, not after the horizon.

        Returns
        -------
        float
            Share of the ensemble, 0 to 1.

        Raises
        ------
        OutOfRange
            If the date lies beyond the horizon, where nothing is known.
        """
        at_s = when_utc.timestamp()
        if at_s > self.posix_s[-1]:
            last = datetime.fromtimestamp(float(self.posix_s[-1]), when_utc.tzinfo)  # by the asker's clock
            raise OutOfRange(
                "the date", f"{when_utc:%Y-%m-%d} lies beyond the forecast, which ends on {last:%Y-%m-%d}"
            )
        return float(np.mean(self.member_posix_s <= at_s + 1e-3))  # a datetime ends at microseconds


def forecast(  # noqa: PLR0913 - the contract's own signature
    timber: Timber,
    species: Species,  # noqa: ARG001 - the contract's own signature; a forecast needs only the law
    calibration: Calibration,
    air_ahead: AirSeries | Sequence[AirSeries],
    *,
    law: DiffusionLaw,
    horizon_days: int = 730,
    step_days: int = 7,
    piece: Finished | None = None,
    spread: float = 1.0,
    threads: int | None = None,
) -> Forecast:
    """Continue every member of a calibrated ensemble.

    Parameters
    ----------
    timber : Timber
        The timber.
    species : Species
        Its species.
    calibration : Calibration
        The ensemble and its moisture now. [%]
    air_ahead : AirSeries or sequence of AirSeries
        Air expected or held from now on; its last value holds to the end. Of several possible futures, each
        is dealt to as many members as any other.
    law : DiffusionLaw
        Diffusion law of the species.
    horizon_days, step_days : int
        How far and how finely. [d]
    piece : Finished, optional
        Cut down to this piece today; without it the timber stays whole. [mm]
    spread : float
        Factor on the members' departure from their median, from how the shop's earlier forecasts did. [-]
    threads : int, optional
        As `baulk.models.drying.solver.dry` takes it.

    Returns
    -------
    Forecast
        Moisture from now to the horizon. [%]

    Raises
    ------
    OutOfRange
        If no air is given.

    References
    ----------
    The model of `baulk.models.drying.solver`; no formula of its own.
    """
    field, section = calibration.field_now, timber.section
    if piece is not None:
        field = solver.cut(field, piece)
        section = field.section
    now_s = field.posix_s
    at_s = now_s + DAY_S * np.arange(0, horizon_days + 1, step_days, dtype=np.float64)
    futures = (air_ahead,) if isinstance(air_ahead, AirSeries) else tuple(air_ahead)
    if not futures:
        raise OutOfRange("the air ahead", "is missing; give the season's or a planned one")
    count = calibration.members.size
    x_edges, y_edges = solver.section_edges_mm(section, solver.CELLS)
    mc = np.empty((at_s.size, count, y_edges.size - 1, x_edges.size - 1))
    emc_pct = np.empty(count)
    for i, air in enumerate(futures[:count]):
        dealt = slice(i, None, len(futures))
        emc_pct[dealt] = mean_emc_pct(air, now_s, float(at_s[-1]))
        mc[:, dealt] = solver.dried_pct(
            section,
            field.some(dealt),
            air,
            law,
            at_posix_s=at_s,
            members=calibration.members.some(dealt),
            faces=calibration.covers if piece is None else None,  # the saw leaves bare faces
            threads=threads,
        )
    ahead = ensemble.ahead(
        [
            MoistureField(
                posix_s=float(moment), section=section, x_edges_mm=x_edges, y_edges_mm=y_edges, mc_pct=mc[k],
                potential=field.potential,
            )
            for k, moment in enumerate(at_s)
        ],
        calibration.theta, emc_pct, spread,
    )  # fmt: skip
    return Forecast(
        posix_s=at_s,
        quantiles=np.array(QUANTILES),
        fields=ahead,
    )


def reach(
    coming: Forecast, where: Part | float = "core", below_pct: float = 20.0, *, face: Face | None = None
) -> ReachDates:
    """When a part or depth first comes down to a moisture content, member by member.

    Parameters
    ----------
    coming : Forecast
        The forecast.
    where : {"mean", "shell", "core"} or float
        Part of the section, or depth below the middle of a face. [mm]
    below_pct : float
        The threshold, above 0. [% of oven-dry mass]
    face : Face, optional
        Which face a depth is below; without one the mean of the four.

    Returns
    -------
    ReachDates
        Dates and probabilities. A member that is there now has reached it now; between two moments of the
        forecast its moisture is taken along a straight line.

    Raises
    ------
    OutOfRange
        If there is no such part or threshold, or the depth leaves the piece.
    """
    if not 0 < below_pct < starts.MOST_PCT:
        raise OutOfRange("the moisture content to reach", f"must be above 0 %, not {below_pct:g} %")
    found = coming.members_pct(where, face)
    there = found <= below_pct
    first = np.argmax(there, axis=0)
    each = np.arange(found.shape[1])
    before = np.maximum(first - 1, 0)
    high, low = found[before, each], found[first, each]
    share = np.where(first > 0, (high - below_pct) / np.maximum(high - low, 1e-12), 0.0)
    at_s = coming.posix_s[before] + share * (coming.posix_s[first] - coming.posix_s[before])
    at_s = np.where(there.any(axis=0), at_s, np.inf)
    ordered = np.sort(at_s)
    dates = [ordered[int(np.ceil(q * ordered.size)) - 1] for q in coming.quantiles]
    return ReachDates(
        where=where,
        below_pct=below_pct,
        quantiles=coming.quantiles,
        dates_utc=tuple(datetime.fromtimestamp(float(s), UTC) if np.isfinite(s) else None for s in dates),
        posix_s=coming.posix_s,
        probability=np.asarray(np.mean(at_s[:, None] <= coming.posix_s, axis=0)),
        member_posix_s=at_s,
    )
