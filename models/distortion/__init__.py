"""How the outline of a piece changes as it dries."""

from baulk.models.distortion.movement import Movement, outline

__all__ = ["Movement", "outline"]
