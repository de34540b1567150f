"""Leave, rough out or square: when, how sure, and what would change it."""

from baulk.models.late_names import late

__all__ = ["Verdict", "judge"]
__getattr__ = late(__name__, {"Verdict": "decision", "judge": "decision"})
