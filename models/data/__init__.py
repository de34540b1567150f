"""Published values, one row each with source and mark."""
