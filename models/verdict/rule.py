"""What readiness means for one timber: which conditions a member must stand, and how sure an answer must be.

A member is ready where it stands every condition of its use: the movement once it has settled in service, and
by the middle or the end of the build, against the tolerance; the mean moisture at squaring where the use
limits it; shrinkage to the driest season and swelling to the dampest, where the use says that this season
breaks it. Swelling counts as shrinkage does.

The service moisture of a member is drawn from the middle half of the use's range, for what is unknown is the
mean that a piece settles at; the seasons swing it over the whole range about that mean whatever the day of
squaring. So where no limit is given for a season, its movement is told beside the verdict, not decided on.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from baulk.models.constants import Floats
from baulk.models.distortion.movement import Shape
from baulk.models.species import Species
from baulk.models.use_class import UseClass

What = Literal["settling", "mean_limit", "build", "dry_season", "damp_season"]

# A verdict once given holds until its probability has fallen by this much; redrawing every reading moves it
# by a standard deviation of about 0.05 (tests/models/test_readiness.py). Our own judgement, no source.
BAND: Final = 0.08


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rule:
    """What readiness means for one timber.

    Parameters
    ----------
    species : Species
        Its wood.
    use : UseClass
        Its use.
    service_mc_pct : ndarray, shape (m,)
        Mean moisture that every member settles at. [%]
    tolerance_mm : float
        Movement tolerated on the finished piece. [mm]
    wanted : float
        How sure an answer must be. [-]
    kept : bool
        Whether the last verdict was `square`, which then holds until it has left the band.
    """

    species: Species
    use: UseClass
    service_mc_pct: Floats
    tolerance_mm: float
    wanted: float
    kept: bool = False

    @classmethod
    def of(  # noqa: PLR0913 - a wood, a use, a size and how sure
        cls,
        species: Species,
        use: UseClass,
        size_mm: tuple[float, float],
        members: int,
        *,
        wanted: float,
        kept: bool = False,
    ) -> Rule:
        """Make the rule of a finished piece: the one way to it for verdict, plans of air, what-if and buying.

        Parameters
        ----------
        species, use
            Its wood and its use.
        size_mm : (float, float)
            Finished width and depth. [mm]
        members : int
            How many members are judged.
        wanted : float
            How sure an answer must be. [-]
        kept : bool
            Whether the last verdict was `square`.

        Returns
        -------
        Rule
            With the service moisture of every member and the use's tolerance. [%, mm]
        """
        return cls(
            species=species,
            use=use,
            service_mc_pct=service_draw(use, members),
            tolerance_mm=use.tolerance_mm(*size_mm),
            wanted=wanted,
            kept=kept,
        )

    def conditions(self, shape: Shape, did_mm: Floats, mean_pct: Floats) -> dict[What, NDArray[np.bool_]]:
        """Whether each member stands each condition but the build's, were it squared at some moments.

        Parameters
        ----------
        shape : Shape
            The finished piece.
        did_mm : ndarray, shape (..., m, measures)
            What it has done by then, see `Shape.did`. [mm]
        mean_pct : ndarray, shape (..., m)
            Its mean moisture then. [%]

        Returns
        -------
        dict
            Of each condition an array of bool, shape (..., m).
        """
        settled = shape.movement_from(did_mm, self.service_mc_pct)
        found: dict[What, NDArray[np.bool_]] = {"settling": settled.largest_mm <= self.tolerance_mm}
        if self.use.max_mc_at_squaring_pct is not None:
            found["mean_limit"] = mean_pct <= self.use.max_mc_at_squaring_pct
        return {**found, **season_conditions(shape, did_mm, self.use)}

    @property
    def needed(self) -> float:
        """Probability from which on `square` is said; see `first_yes` and `BAND`."""
        return self.wanted - BAND if self.kept else first_yes(self.wanted)

    @property
    def needed_with_room(self) -> float:
        """Probability that it is ready and comes out of its timber too, from which on `square` is said.

        The first yes comes too early by its asking again; what a timber measures is no matter of the day.
        """
        return min(self.needed, self.wanted)


def first_yes(wanted: float) -> float:
    """Return the probability at which `square` may be said for the first time.

    Half-way from the wanted one to certainty. Asked every few weeks, an answer that is right nine times in
    ten is right less often the first time it says yes: on the bench tests/bench/honesty 80 % of the first
    yeses at 0.9 held through build and service.

    Parameters
    ----------
    wanted : float
        How sure an answer must be. [-]

    Returns
    -------
    float
        Probability.
    """
    return wanted + (1 - wanted) / 2


def season_conditions(shape: Shape, did_mm: Floats, use: UseClass) -> dict[What, NDArray[np.bool_]]:
    """Whether a piece stands the seasons of its use, as far as the use says that they break it.

    Parameters
    ----------
    shape : Shape
        The finished piece.
    did_mm : ndarray, shape (..., m, measures)
        What it has done by the time it is squared, see `Shape.did`. [mm]
    use : UseClass
        Its use, with the movement at which each season breaks it. [mm]

    Returns
    -------
    dict
        Of each season with a limit, an array of bool, shape (..., m).
    """
    dry_mm, damp_mm = use.season_limits_mm(shape.section.width_mm, shape.section.depth_mm)
    found: dict[What, NDArray[np.bool_]] = {}
    if dry_mm is not None:
        found["dry_season"] = shape.movement_from(did_mm, use.service_low_pct).shrinkage_mm <= dry_mm
    if damp_mm is not None:
        found["damp_season"] = shape.movement_from(did_mm, use.service_high_pct).swelling_mm <= damp_mm
    return found


@lru_cache(maxsize=64)
def service_draw(use: UseClass, members: int, seed: int = 11) -> Floats:
    """Service moisture of every member: even over the middle half of the range, the same at every call.

    Parameters
    ----------
    use : UseClass
        Where the piece will live.
    members : int
        How many.
    seed : int
        Seed of the order.

    Returns
    -------
    ndarray, shape (members,)
        Mean moisture content in service; read-only. [% of oven-dry mass]
    """
    even = 0.25 + 0.5 * (np.arange(members) + 0.5) / members
    order = np.random.default_rng(seed).permutation(members)
    draw = use.service_low_pct + (use.service_high_pct - use.service_low_pct) * even[order]
    draw.flags.writeable = False
    return np.asarray(draw)
