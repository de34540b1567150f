"""Charts and drawings on the pages."""
