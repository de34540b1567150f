"""A wood by a name that may mean several: at a terminal it is asked which."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from functools import partial

import typer

from baulk.dashboard.commands.answers import say
from baulk.models.errors import SeveralFound
from baulk.models.species import Species, SpeciesTable


def wood(known: SpeciesTable, name: str) -> Species:
    """Return a wood by any of its names.

    Parameters
    ----------
    known : SpeciesTable
        The shop's woods.
    name : str
        As typed.

    Raises
    ------
    SeveralFound
        If it means several and nobody can be asked.
    NotFound
        If no wood has it.
    """
    try:
        return known.get(name)
    except SeveralFound as err:
        if not _at_a_terminal():
            raise
        say(f"{name} means several woods:")
        for number, each in enumerate(err.known, start=1):
            say(f"  {number} {each}")
        return known.get(typer.prompt("  Which", value_proc=partial(_chosen, err.known)))


def _chosen(offered: Sequence[str], typed: str) -> str:
    """Read an answer by its number or its name; what is neither is asked for again."""
    numbers = {str(number): each for number, each in enumerate(offered, start=1)}
    numbers |= {each.lower(): each for each in offered}
    if (found := numbers.get(typed.strip().lower())) is None:
        raise typer.BadParameter(f"{typed!r} is none of them; type a number from 1 to {len(offered)}")
    return found


def _at_a_terminal() -> bool:
    return sys.stdin.isatty() and sys.stdout.isatty()
