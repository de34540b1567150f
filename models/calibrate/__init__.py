"""A timber's own readings put into the drying model: the calibrated ensemble."""

from baulk.models.calibrate.calibration import Calibration, fit

__all__ = ["Calibration", "fit"]
