"""A timber's own readings put into the drying model: the calibrated ensemble."""

from baulk.models.lazy_attributes import lazy

__all__ = ["Calibration", "fit"]
__getattr__ = lazy(__name__, {"Calibration": "calibration", "fit": "calibration"})
