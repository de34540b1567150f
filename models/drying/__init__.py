"""Drying of a section: the solver, its compiled kernel and the cells it works on."""

from baulk.models.drying.solver import dry

__all__ = ["dry"]
