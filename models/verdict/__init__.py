"""Leave, rough out or square: when, how sure, and what would change it."""

from baulk.models.verdict.decision import Verdict, judge

__all__ = ["Verdict", "judge"]
