"""Meeting a new sensor: what comes on any topic for ten minutes, and the mapping that is made of it."""
