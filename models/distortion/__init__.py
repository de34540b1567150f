"""How the outline of a piece changes as it dries."""

from baulk.models.late_names import late

__all__ = ["Movement", "outline"]
__getattr__ = late(__name__, {"Movement": "movement", "outline": "movement"})
