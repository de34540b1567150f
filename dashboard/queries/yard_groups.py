"""The yard by what is to be done: square, rough out, read, look at what is wrong, or leave."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from baulk.dashboard import words
from baulk.dashboard.queries.yard_rows import YardRow
from baulk.ingest.evaluation.document import Verdict
from baulk.models.formatting import count

SQUARE: Final = "square"
ROUGH_OUT: Final = "rough-out"
READ: Final = "read"
TROUBLE: Final = "trouble"
LEAVE: Final = "leave"


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Timbers of which the same is to be done."""

    shape: str
    word: str
    verb: str


GROUPS: Final[Mapping[str, Group]] = {
    SQUARE: Group(shape="■", word="Square now", verb="square"),
    ROUGH_OUT: Group(shape="◧", word="Rough out", verb="rough out"),
    READ: Group(shape="?", word="Read these", verb="read"),
    TROUBLE: Group(shape="!", word="Trouble", verb="look at"),
    LEAVE: Group(shape="□", word="Leave", verb="leave"),
}
TILES: Final = (SQUARE, ROUGH_OUT, READ, TROUBLE)
_STEPS: Final = {"square": SQUARE, "rough out": ROUGH_OUT}
NAMED: Final = 3  # timbers that a sentence names; of more it gives the number


def of(row: YardRow) -> str:
    """Return the group of a timber.

    A timber stands in one group only. What is wrong comes first, then what a reading would change: a verdict
    from too few readings never stands under Square or Rough out.
    """
    verdict = row.answer.verdict if row.answer else None
    if verdict is None:
        return TROUBLE if row.trouble else READ if row.newest_utc is None else LEAVE
    out = verdict.comes_out
    if row.trouble or verdict.contradiction is not None or (out is not None and not out.sure) or row.disagree:
        return TROUBLE
    if words.doubted(verdict):
        return READ
    return _STEPS.get(verdict.step) or (READ if row.unread else LEAVE)


def grouped(rows: Sequence[YardRow]) -> dict[str, list[YardRow]]:
    """Return the timbers by their group, in the order of the groups and each group in the order given."""
    found: dict[str, list[YardRow]] = {name: [] for name in GROUPS}
    for row in rows:
        found[of(row)].append(row)
    return found


def today(rows: Sequence[YardRow]) -> str:
    """Say in one sentence what there is to do."""
    by = grouped(rows)
    said = [_do(GROUPS[name].verb, by[name]) for name in TILES if by[name]]
    if not said:
        return "Nothing to do today: leave them all."
    text = "; ".join(said)
    return f"{text[0].upper()}{text[1:]}."


def _do(verb: str, rows: Sequence[YardRow]) -> str:
    tags = [row.timber.tag for row in rows]
    if len(tags) > NAMED:
        return f"{verb} {len(tags)} timbers"
    return f"{verb} {' and '.join([', '.join(tags[:-1]), tags[-1]] if len(tags) > 1 else tags)}"


def about(row: YardRow) -> str:
    """Return in a few words why a timber stands in its group; empty where the group says all."""
    name, verdict = of(row), row.answer.verdict if row.answer else None
    if name == TROUBLE:
        return _wrong(row, verdict)
    if name == READ and row.newest_utc is not None and verdict is not None and words.doubted(verdict):
        return "too few readings"
    return row.unread


def _wrong(row: YardRow, verdict: Verdict | None) -> str:
    if row.trouble or verdict is None:
        return (row.trouble or "").partition("; ")[0]  # what mends it stands on the timber's page
    if verdict.contradiction is not None:
        return "scale and pins contradict each other"
    if verdict.comes_out is not None and not verdict.comes_out.sure:
        return f"finished size {'no longer comes' if verdict.comes_out.lost else 'may not come'} out"
    return f"{count(row.disagree, 'reading')} disagree{'s' if row.disagree == 1 else ''}"


def found(rows: Sequence[YardRow], text: str) -> list[YardRow]:
    """Return the timbers in which every word of a text is found: tag, former tags, wood, place or use."""
    asked = text.casefold().split()
    return [
        row
        for row in rows
        for told in [
            " ".join((row.timber.tag, *row.former, row.timber.species, row.timber.place, row.use)).casefold()
        ]
        if all(word in told for word in asked)
    ]
