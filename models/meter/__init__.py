"""Pin meters: from resistance to moisture, corrections, and what a pin at a depth says of the mean."""

from baulk.models.lazy_attributes import lazy

__all__ = ["corrected", "from_meter", "mc_from_resistance", "shown_pct"]
__getattr__ = lazy(__name__, dict.fromkeys(__all__, "resistance"))
