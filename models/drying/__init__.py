"""Drying of a section: the solver, its compiled kernel and the cells it works on."""

from baulk.models.lazy_attributes import lazy

__all__ = ["dry"]
__getattr__ = lazy(__name__, {"dry": "solver"})
