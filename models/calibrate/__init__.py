"""A timber's own readings put into the drying model: the calibrated ensemble."""
