"""Drying of a section: the solver, its compiled kernel and the cells it works on."""
