"""A joint of a timber that lies in the yard: its size, its moisture by its last evaluation, its use."""

from __future__ import annotations

from baulk.ingest.evaluation.document_read import parse
from baulk.ingest.shop import Shop
from baulk.models import gap as gaps
from baulk.models.errors import OutOfRange
from baulk.models.gap import Joint, Making, Rings
from baulk.models.timber import Timber
from baulk.models.use_class import UseClass


def of_timber(  # noqa: PLR0913 - a person names them one by one
    shop: Shop,
    tag: str,
    *,
    joint: Joint,
    rings: Rings = Rings.UNKNOWN,
    across_depth: bool = False,
    afloat: bool = False,
    mc_pct: float | None = None,
    size_mm: tuple[float, float] | None = None,
    use: str | None = None,
) -> tuple[Making, float]:
    """Return a joint of a timber of the register.

    Parameters
    ----------
    shop : Shop
        The open shop.
    tag : str
        Which timber.
    joint, rings, across_depth, afloat
        What is made of it; see `baulk.models.gap`.
    mc_pct : float, optional
        Its moisture, instead of that by its last evaluation. [%]
    size_mm : (float, float), optional
        Width and depth, instead of the finished ones. [mm]
    use : str, optional
        Another use than its own.

    Returns
    -------
    making : Making
        The joint.
    other_mm : float
        Its size the other way. [mm]

    Raises
    ------
    OutOfRange, NotFound
        If its moisture is not known yet, or the tag or the use is not.
    """
    timber = shop.register.get(tag)
    wood = shop.woods.species.get(timber.species)
    width, depth = size_mm or (timber.finished.width_mm, timber.finished.depth_mm)
    across, other = (depth, width) if across_depth else (width, depth)
    total = gaps.total_by_rings(wood, rings)
    if rings is Rings.UNKNOWN:
        total = gaps.total_in(timber.section, timber.finished, wood, across_depth=across_depth), 0.0
    low, high = season_pct(shop.woods.use_classes.get(use or timber.use_class), wood.fsp_pct, afloat=afloat)
    making = Making(
        wood=wood,
        width_mm=across,
        now_pct=_now_pct(shop, timber, mc_pct),
        low_pct=low,
        high_pct=high,
        total_pct=total,
        joint=joint,
    )
    return making, other


def season_pct(use: UseClass, fsp_pct: float, *, afloat: bool) -> tuple[float, float]:
    """Return the moisture of its driest and dampest season; in the water the dampest is saturation.

    Parameters
    ----------
    use : UseClass
        Where it lives.
    fsp_pct : float
        Saturation of its wood. [%]
    afloat : bool
        Whether it goes under water.
    """
    return use.service_low_pct, max(use.service_high_pct, fsp_pct) if afloat else use.service_high_pct


def _now_pct(shop: Shop, timber: Timber, mc_pct: float | None) -> tuple[float, float, float]:
    if mc_pct is not None:
        return (mc_pct, mc_pct, mc_pct)
    stored = shop.store.evaluation(timber.tag)
    if stored is None:
        raise OutOfRange("the moisture content", f"of {timber.tag} is not worked out yet; give it with --mc")
    mean = parse(stored[1]).mean_now_pct
    return (mean.low, mean.median, mean.high)
