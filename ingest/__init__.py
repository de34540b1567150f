"""Readings in, verdicts out: wire formats, listener, stores, register, evaluation."""
