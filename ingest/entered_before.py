"""Whether a timber was entered before, as the register and the first weights tell it."""

from __future__ import annotations

from datetime import datetime

from baulk.ingest.shop import Shop
from baulk.models import alike
from baulk.models.plausible import Finding
from baulk.models.quantity import Owner, Quantity
from baulk.models.timber import Timber


def findings(shop: Shop, timber: Timber, *, weight_kg: float | None = None) -> tuple[Finding, ...]:
    """Return which timbers of the register a new one may be; see `baulk.models.alike.findings`.

    Parameters
    ----------
    shop : Shop
        An open shop.
    timber : Timber
        The new one.
    weight_kg : float, optional
        As it came. [kg]
    """
    others = shop.register.list(retired=True)
    weights_kg: dict[str, float] = {}
    if weight_kg is not None:
        for each in others:
            if abs(each.arrived_utc - timber.arrived_utc) >= alike.DAY:
                continue
            if (first_kg := _first_kg(shop, each.tag, each.arrived_utc)) is not None:
                weights_kg[each.tag] = first_kg
    return alike.findings(timber, others, weight_kg=weight_kg, weights_kg=weights_kg)


def _first_kg(shop: Shop, tag: str, came_utc: datetime) -> float | None:
    held = shop.store.readings(Owner.TIMBER, tag, came_utc - alike.DAY, came_utc + alike.DAY)
    return next((one.value for one in held if one.series.quantity is Quantity.WEIGHT), None)
