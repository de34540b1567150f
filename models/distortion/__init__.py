"""How the outline of a piece changes as it dries."""
