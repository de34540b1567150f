"""When a green timber must arrive to be ready in time, or how dry it must be bought.

The timber is dried from its arrival in the shop's air of the coming seasons, as an ensemble before any
reading (`baulk.models.calibrate.parameters.prior`), and is ready when the piece squared out of it would move
less
than its use tolerates, as in the verdict; one that has been ready before could have been squared then. What
moves while a boat is being built is not in it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Final

import numpy as np

from baulk.models.air import AirSeries
from baulk.models.calibrate import ensemble, parameters
from baulk.models.constants import DAY_S, Floats
from baulk.models.diffusion import law_for
from baulk.models.distortion.movement import Shape
from baulk.models.drying import solver
from baulk.models.field import MoistureField
from baulk.models.section import Finished, Section
from baulk.models.species import Species
from baulk.models.timber import Timber
from baulk.models.use_class import UseClass
from baulk.models.verdict.rule import Rule

MEMBERS: Final = 32
CELLS: Final = (12, 12)
WEEK_S: Final = 7 * DAY_S
LOOK_S: Final = 4 * WEEK_S
LONGEST_DAYS: Final = 5 * 365
_ERROR_PCT: Final = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrival:
    """What has to be bought for a part, and by when.

    Parameters
    ----------
    latest_utc : datetime or None
        Last day on which a green timber may arrive.
    ready_utc : datetime or None
        When a green timber that arrives today would be ready, for a part without a date; None when not
        within five years.
    seasoned_pct : float or None
        Largest mean moisture content at which it may be bought today, when green is too late. [%]
    probability : float
        Chance that a green timber that arrives today is ready by the day wanted. [-]
    """

    latest_utc: datetime | None = None
    ready_utc: datetime | None = None
    seasoned_pct: float | None = None
    probability: float = 0.0


class Drying:
    """A green timber in the shop's air, dried over and over again.

    Parameters
    ----------
    green : Section
        The timber. [mm]
    finished : Finished
        The piece in it. [mm]
    length_mm : float
        Its length. [mm]
    wood, use
        Its wood and use.
    air : sequence of AirSeries
        Possible futures, each from now on.
    """

    def __init__(  # noqa: PLR0913, PLR0917 - a piece, its wood, its use and its air
        self,
        green: Section,
        finished: Finished,
        length_mm: float,
        wood: Species,
        use: UseClass,
        air: Sequence[AirSeries],
    ) -> None:
        self._green, self._finished, self._wood, self._air = green, finished, wood, air
        timber = Timber(
            tag="to buy",
            species=wood.name,
            section=green,
            length_mm=length_mm,
            finished=finished,
            use_class=use.name,
            place="",
            arrived_utc=datetime.fromtimestamp(float(air[0].posix_s[0]), UTC),
            ends_sealed=True,
        )
        self._law = law_for(wood)
        self._theta = parameters.prior(timber, wood, self._law, MEMBERS, np.random.default_rng(5))
        # how sure is asked by whoever looks at `chance`
        self._rule = Rule.of(wood, use, (finished.width_mm, finished.depth_mm), MEMBERS, wanted=0.5)

    def _start(self, theta: Floats, arrive_s: float) -> MoistureField:
        """Return green timber, heartwood and sapwood: one that is bought has not dried in before it comes."""
        green = theta.copy()
        green[parameters.DRIED] = 0.0
        return ensemble.arrival(
            green, self._green, self._wood, CELLS, emc_pct=0.0, most_pct=self._law.most_pct, at_s=arrive_s
        )

    def _shape(self, members: solver.Members) -> Shape:
        x = solver.graded_edges_mm(self._green.width_mm, CELLS[0])
        y = solver.graded_edges_mm(self._green.depth_mm, CELLS[1])
        blank = np.zeros((CELLS[1], CELLS[0]))
        piece = solver.cut(self._field(blank, x, y), self._finished)
        return Shape(
            self._finished.inside(self._green), self._wood, piece.x_edges_mm, piece.y_edges_mm, members
        )

    def _field(self, mc_pct: Floats, x: Floats, y: Floats) -> MoistureField:
        return MoistureField(posix_s=0.0, section=self._green, x_edges_mm=x, y_edges_mm=y, mc_pct=mc_pct)

    def chance(self, arrive_s: float, at_s: Sequence[float], start_pct: float | None = None) -> Floats:
        """Share of the members that could have been squared by each moment.

        Parameters
        ----------
        arrive_s : float
            When it is set down, POSIX seconds. [s]
        at_s : sequence of float
            Increasing moments, none before the arrival; looked at are only these. [s]
        start_pct : float, optional
            Even moisture content at arrival; None is green with its doubt. [%]

        Returns
        -------
        ndarray, shape (moments,)
            0 to 1.
        """
        ready: list[Floats] = []
        for i, air in enumerate(self._air):
            mine = slice(i, None, len(self._air))
            theta = self._theta[:, mine].copy()
            if start_pct is not None:
                theta[parameters.START] = start_pct
            members = parameters.members(theta)
            start = self._start(theta, arrive_s) if start_pct is None else None
            fields = solver.dry(
                self._green, start, air, self._law, start_posix_s=arrive_s, at_posix_s=at_s,
                members=members, cells=CELLS, error_pct=_ERROR_PCT, near_faces=False,
            )  # fmt: skip
            pieces = [solver.cut(field, self._finished) for field in fields]
            shape = self._shape(members)
            did = np.array([shape.did(piece.mc_pct) for piece in pieces])
            rule = replace(self._rule, service_mc_pct=self._rule.service_mc_pct[mine])
            mean = np.array([piece.mean_pct for piece in pieces])
            good = np.logical_and.reduce(list(rule.conditions(shape, did, mean).values()))
            ready.append(np.logical_or.accumulate(good, axis=0).astype(np.float64))
        return np.asarray(np.concatenate(ready, axis=1).mean(axis=1))

    def by(self, arrive_s: float, end_s: float, start_pct: float | None = None) -> float:
        """Share of the members that could have been squared by a day, looking every fourth week.

        Parameters
        ----------
        arrive_s, end_s : float
            Arrival and day, POSIX seconds. [s]
        start_pct : float, optional
            As in `chance`. [%]

        Returns
        -------
        float
            0 to 1.
        """
        at_s = [*np.arange(end_s, arrive_s, -LOOK_S)[::-1]] or [max(end_s, arrive_s)]
        return float(self.chance(arrive_s, at_s, start_pct)[-1])


def arrival(  # noqa: PLR0913 - a timber, its use and its dates
    drying_of: Drying, use: UseClass, green_pct: float, *, now_utc: datetime, wanted_utc: datetime | None,
    confidence: float,
) -> Arrival:  # fmt: skip
    """Work out when a part's timber must arrive.

    Parameters
    ----------
    drying_of : Drying
        The timber.
    use : UseClass
        Its use; one that may stay wet needs no drying.
    green_pct : float
        Moisture content of green heartwood. [%]
    now_utc : datetime
        Now, with a time zone.
    wanted_utc : datetime or None
        When it is to be squared.
    confidence : float
        How sure. [-]

    Returns
    -------
    Arrival
        The day, or the moisture content to ask for.
    """
    now_s = now_utc.timestamp()
    if use.may_stay_wet:
        return Arrival(latest_utc=wanted_utc, ready_utc=now_utc, probability=1.0)
    if wanted_utc is None:
        at_s = now_s + LOOK_S * np.arange(1, LONGEST_DAYS // 28 + 1)
        sure = np.flatnonzero(drying_of.chance(now_s, list(at_s)) >= confidence)
        return Arrival(ready_utc=None if sure.size == 0 else datetime.fromtimestamp(at_s[sure[0]], UTC))
    end_s = wanted_utc.timestamp()
    today = drying_of.by(now_s, end_s)
    if today >= confidence:
        low, high = 0, int((end_s - now_s) // WEEK_S) + 1  # ready at low weeks from now, not at high
        while high - low > 1:
            middle = (low + high) // 2
            sure_then = drying_of.by(now_s + middle * WEEK_S, end_s) >= confidence
            low, high = (middle, high) if sure_then else (low, middle)
        return Arrival(latest_utc=datetime.fromtimestamp(now_s + low * WEEK_S, UTC), probability=today)
    wet, dry = int(green_pct), int(use.service_low_pct)
    while wet - dry > 1:
        middle = (wet + dry) // 2
        sure_then = drying_of.by(now_s, end_s, float(middle)) >= confidence
        wet, dry = (wet, middle) if sure_then else (middle, dry)
    return Arrival(seasoned_pct=float(dry), probability=today)
