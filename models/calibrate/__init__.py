"""A timber's own readings put into the drying model: the calibrated ensemble."""

from baulk.models.late_names import late

__all__ = ["Calibration", "fit"]
__getattr__ = late(__name__, {"Calibration": "calibration", "fit": "calibration"})
