"""Leave, rough out or square: when, how sure, and what would change it."""

from baulk.models.lazy_attributes import lazy

__all__ = ["Verdict", "judge"]
__getattr__ = lazy(__name__, {"Verdict": "decision", "judge": "decision"})
