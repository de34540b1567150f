"""Drying of a section: the solver, its compiled kernel and the cells it works on."""

from baulk.models.late_names import late

__all__ = ["dry"]
__getattr__ = late(__name__, {"dry": "solver"})
