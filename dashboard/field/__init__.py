"""Files of the field pages: what a phone keeps, so that they work without a signal."""
