"""In words: what the other timbers of a yard had a say in."""

from __future__ import annotations

from typing import Final

from baulk.models.yard.prior import Learned, YardPrior

WORTH_SAYING: Final = 0.05  # of the width of a forecast; our own judgement, no source


def sentences(known: YardPrior, species: str) -> tuple[str, ...]:
    """Say what a timber's answer leans on besides its own readings.

    Parameters
    ----------
    known : YardPrior
        What the yard has taught.
    species : str
        The timber's species.

    Returns
    -------
    tuple of str
        No more than two sentences; none where nobody speaks.
    """
    said = []
    row = known.row("ln_d")
    if row is not None and row.timbers:
        said.append(f"{_leaning(row, species)}.")
    off = known.spread - 1
    if abs(off) >= WORTH_SAYING and known.compared:
        many = known.compared > 1
        count = f"{known.compared} earlier forecasts" if many else "One earlier forecast"
        missed = f"{'have ' if many else ''}missed by more"
        nearer = f"{'have come' if many else 'came'} nearer"
        said.append(
            f"{count} of {species} {missed if off > 0 else nearer} than was to be expected, so this one is "
            f"{100 * abs(off):.0f} % {'wider' if off > 0 else 'narrower'}."
        )
    return tuple(said)


def _leaning(row: Learned, species: str) -> str:
    rest = row.timbers - row.near
    lot = f"{_count(row.near, 'other timber')} of its lot" if row.near else ""
    other = f"{_count(rest, f'other {species} timber' if row.near else f'{species} timber')} of this yard"
    kin = " and ".join(part for part in (lot, other if rest else "") if part)
    if row.parted:
        they = "they say" if row.timbers > 1 else "that one says"
        return f"It dries unlike {kin}, so what {they} counts for less than its own readings"
    return f"How fast it dries leans on {kin}"


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'s' if number != 1 else ''}"
