"""Timbers, places and what happened to them, in the shop's database."""
