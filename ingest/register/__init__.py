"""Timbers, places and what happened to them, in the shop's database."""

from baulk.ingest.register.register import Register

__all__ = ["Register"]
