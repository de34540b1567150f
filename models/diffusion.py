"""How fast water moves across the grain: the diffusion law of a species."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from baulk.models.errors import OutOfRange
from baulk.models.gravimetric import max_mc_pct
from baulk.models.species import Species

GAS_CONSTANT_J_MOL_K = 8.314462618
REFERENCE_K = 293.15
REFERENCE_PCT = 20.0
LIMITS: Final[Mapping[str, tuple[float, float]]] = {
    "d_ref_m2_s": (1e-15, 1e-6),
    "slope_per_pct": (0.0, 0.2),
    "activation_j_mol": (0.0, 200_000.0),
    "radial_over_tangential": (0.01, 100.0),
    "fsp_pct": (10.0, 60.0),
    "raised_above_fsp": (0.01, 1000.0),
    "sapwood_raised": (0.01, 1000.0),
    "most_pct": (30.0, 400.0),
}
RAYS_RATIO = 1.2  # radial over tangential diffusion of hardwoods, for their rays; from memory


@dataclass(frozen=True, slots=True, kw_only=True)
class DiffusionLaw:
    """Transverse diffusion coefficient over moisture content and temperature.

    ``D(M, T) = d_ref exp(slope (min(M, FSP) - 20)) exp(-Ea/R (1/T - 1/293.15 K))``, times `raised_above_fsp`
    for moisture above fibre saturation, and there in sapwood times `sapwood_raised` once more.

    Parameters
    ----------
    d_ref_m2_s : float
        Mean of the radial and the tangential coefficient at 20 degC and 20 % MC, above 0. [m2/s]
    slope_per_pct : float
        Growth of ln D per point of moisture content, 0 to 0.2. [1/%]
    activation_j_mol : float
        Activation energy, 0 or more; sources lie between 19,000 and 44,000, see below. [J/mol]
    radial_over_tangential : float
        Radial over tangential coefficient, above 0. [-]
    fsp_pct : float
        Fibre saturation point, above which D no longer grows with moisture. [%]
    raised_above_fsp : float
        Factor on D above fibre saturation: 1 where free water hardly moves, more where it moves by
        itself. [-]
    sapwood_raised : float
        What it is times in sapwood. [-]
    most_pct : float
        Moisture content with every pore full of water, 30 to 400. [%]

    References
    ----------
    Simpson, W.T., 1993. Wood Science and Technology 27, 409-420 (D grows about exponentially with MC).

    Activation energy, kJ/mol: 38.5 - 0.29 M for water bound in the cell wall, so 33 at 20 and 37 at 6 %
    (Stamm, Siau; in public code); 32 to 37 for the cell model about it, 10 to 43 degC and 25 to 6 %; 44 for
    red oak (Simpson 1993, recalled, not looked up); 19 for red oak boards with their surface, 20 to 40 degC
    (Tschernitz, J.L., Simpson, W.T., 1979. Wood Science 11, 202-208). Skaar (1958, thesis, Yale) found in
    beech along the radius about that of vapour, along the rings considerably less.
    """

    d_ref_m2_s: float
    slope_per_pct: float = 0.098
    activation_j_mol: float = 33_000.0
    radial_over_tangential: float = RAYS_RATIO
    fsp_pct: float = 30.0
    raised_above_fsp: float = 1.0
    sapwood_raised: float = 1.0
    most_pct: float = 400.0

    def __post_init__(self) -> None:
        for name, (low, high) in LIMITS.items():
            value = getattr(self, name)
            if not low <= value <= high:  # also refuses NaN
                raise OutOfRange(name, f"must lie between {low:g} and {high:g}, not {value:g}")

    def temperature_factor(self, temp_c: ArrayLike) -> NDArray[np.float64]:
        """Factor on D against 20 degC.

        Parameters
        ----------
        temp_c : array_like, shape (...,)
            Temperature of the wood, above -100. [degC]

        Returns
        -------
        ndarray, shape (...,)
            Arrhenius factor, 1 at 20 degC. [-]
        """
        return temperature_factor(self.activation_j_mol, temp_c)

    def d_m2_s(self, mc_pct: ArrayLike, temp_c: ArrayLike) -> NDArray[np.float64]:
        """Transverse diffusion coefficient.

        Parameters
        ----------
        mc_pct : array_like, shape (...,)
            Moisture content. [%]
        temp_c : array_like, shape (...,)
            Temperature of the wood. [degC]

        Returns
        -------
        ndarray, shape (...,)
            Mean of radial and tangential D. [m2/s]
        """
        mc = np.asarray(mc_pct, dtype=np.float64)
        bound = np.exp(self.slope_per_pct * (np.minimum(mc, self.fsp_pct) - REFERENCE_PCT))
        free = np.where(mc > self.fsp_pct, self.raised_above_fsp, 1.0)
        return np.asarray(self.d_ref_m2_s * bound * free * self.temperature_factor(temp_c))


def temperature_factor(activation_j_mol: float, temp_c: ArrayLike) -> NDArray[np.float64]:
    """Compute the factor on D against 20 degC by an activation energy.

    Parameters
    ----------
    activation_j_mol : float
        Activation energy, 0 or more. [J/mol]
    temp_c : array_like, shape (...,)
        Temperature of the wood, above -100. [degC]

    Returns
    -------
    ndarray, shape (...,)
        Arrhenius factor, 1 at 20 degC. [-]

    References
    ----------
    Arrhenius' equation; energies as in `DiffusionLaw`.
    """
    kelvin = np.asarray(temp_c, dtype=np.float64) + 273.15
    exponent = -activation_j_mol / GAS_CONSTANT_J_MOL_K * (1 / kelvin - 1 / REFERENCE_K)
    return np.asarray(np.exp(exponent))


# Factor on the species table's D (half of the cell model). With it, 7 x 9 in red oak ties piled in March to
# May go from 85 to 50 % in 4.5 to 5.2 months of Greensboro NC's typical year, hour by hour, in 7.9 from
# October (Mathewson, Morton and Bescher 1949, AWPA: 5 months, and up to twice that).
TIES_FACTOR = 0.7
# Only a wood that dries as slowly as oak is given that factor (`Species.dries_as_oak`). Others keep half of
# the cell model, for drying wood has about half the coefficient of wood through which water passes steadily
# (Sonderegger and others 2011); spruce then has 2 to 3 times that of beech, as they measured.
DIFFUSE_FACTOR = 1.0
# The same for softwoods: spruce then has the measured 0.94e-10 m2/s (Sanchez-Ferrer and Engelhardt 2026).
SPRUCE_FACTOR = 1.2
# Sapwood of softwoods above fibre saturation, over their heartwood: in sapwood the pits between the cells
# stand open until it has dried, and free water moves through them; in heartwood they are closed and
# encrusted, and it hardly moves (J. F. Siau, Transport Processes in Wood, 1984, from memory: sapwood of
# softwoods is far the more permeable). How much of that is left on the way to the face is a guess, no source.
SAPWOOD_FACTOR = 3.0
# A light tree of its species: two standard deviations below the mean density, which differs by a tenth from
# tree to tree (Wood Handbook, FPL-GTR-282, chapter 5, coefficient of variation of specific gravity).
LIGHT = 0.8


def law_for(species: Species) -> DiffusionLaw:
    """Diffusion law of a wood before anything is known of the timber: a prior, good to a factor of two.

    Parameters
    ----------
    species : Species
        The wood; its D at 20 degC and 20 % is taken times 0.7 for oak and hardwoods that dry like it, fitted
        to one published drying time (red oak ties), as it is for other hardwoods, and times 1.2 for
        softwoods, fitted to one measured coefficient (spruce).

    Returns
    -------
    DiffusionLaw
        Slope and activation energy are those of the cell model between 6 and 25 % and 10 and 43 degC.
        Hardwoods dry a fifth faster along the radius (rays; number from memory), softwoods about alike both
        ways. Above fibre saturation D stays level, and is three times as high in the sapwood of softwoods.

    Notes
    -----
    What it gets wrong (tests/reference/drying-gaps.csv): red oak ties piled in fall reach 50 % in 8 months
    instead of about 10; 4/4 red oak is at 20 % in 51 to 116 days by season instead of 70 to 200; 8/4 red oak
    falls from 80 to 67 % in 0.1 to 0.4 months where one yard took 1.5; the time of boards of 1 and 2 in
    grows with thickness to the power 1.85 instead of 1.3 to 1.6; and a heavy oak beam is 28 % an inch deep
    after ten years where 17 to 20 % was metered. The first four lean the same way: wet wood gives off too
    much in its first weeks. We think that the surface is at fault, not D: its conductance is one constant
    and the air between stickered boards is taken to be the yard's, though it stays near saturation while
    they are green. Heavy timbers, whose own readings correct the prior, feel that least. Against the 1979
    red oak equation (tests/reference/test_drying_times.py) the prior is within a factor of two.

    References
    ----------
    Mathewson, J.S., Morton, H.A., Bescher, R.H., 1949. Air seasoning of red oak crossties. AWPA / Forest
    Products Laboratory: 7 x 9 in from 85 to 50 % in 5 months when piled in spring, about twice that when
    piled in fall. Sanchez-Ferrer, A., Engelhardt, M., 2026. Scientific Reports, doi
    10.1038/s41598-026-38932-7 (spruce: radial 0.94e-10, tangential 1.00e-10 m2/s). Sonderegger, W.,
    Vecellio, M., Zwicker, P., Niemz, P., 2011. Holzforschung 65, 819-828 (coefficients of spruce two to three
    times those of beech; while drying about half of the steady ones; abstract).
    """
    return DiffusionLaw(
        d_ref_m2_s=_factor(species) * species.d_ref_m2_s,
        radial_over_tangential=0.94 if species.softwood else RAYS_RATIO,
        fsp_pct=species.fsp_pct,
        sapwood_raised=SAPWOOD_FACTOR if species.softwood else 1.0,
        most_pct=min(float(max_mc_pct(LIGHT * species.basic_density_kg_m3)), 400.0),
    )


def _factor(species: Species) -> float:
    if species.softwood:
        return SPRUCE_FACTOR
    return TIES_FACTOR if species.dries_as_oak else DIFFUSE_FACTOR
