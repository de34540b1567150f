"""Pin meters: from resistance to moisture, corrections, and what a pin at a depth says of the mean."""
