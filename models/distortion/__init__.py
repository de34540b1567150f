"""How the outline of a piece changes as it dries."""

from baulk.models.lazy_attributes import lazy

__all__ = ["Movement", "outline"]
__getattr__ = lazy(__name__, {"Movement": "movement", "outline": "movement"})
