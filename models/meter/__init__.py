"""Pin meters: from resistance to moisture, corrections, and what a pin at a depth says of the mean."""

from baulk.models.meter.resistance import corrected, from_meter, mc_from_resistance, shown_pct

__all__ = ["corrected", "from_meter", "mc_from_resistance", "shown_pct"]
