"""Which part comes out of which timber: a bar a timber, its parts laid along it, what is left at the end."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from baulk.dashboard import words
from baulk.models.formatting import count, show_along
from baulk.models.plan.buying.purchase import Assignment, BuyPlan
from baulk.models.units import System


@dataclass(frozen=True, slots=True, kw_only=True)
class Lane:
    """Pieces of one timber that lie one behind the other.

    Attributes
    ----------
    pieces : tuple of (str, float)
        Name and length of each, from the timber's end. [mm]
    left_mm : float
        What is left of the timber behind them. [mm]
    """

    pieces: tuple[tuple[str, float], ...]
    left_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """A timber that is cut.

    Attributes
    ----------
    tag : str
        Which.
    length_mm : float
        Its length. [mm]
    lanes : tuple of Lane
        One, or several where pieces lie side by side in its section.
    """

    tag: str
    length_mm: float
    lanes: tuple[Lane, ...]


def bars(made: BuyPlan, lengths_mm: Mapping[str, float]) -> list[Bar]:
    """Lay the assigned pieces along their timbers.

    Parameters
    ----------
    made : BuyPlan
        The plan.
    lengths_mm : mapping of str to float
        Length of each timber by its tag. [mm]

    Returns
    -------
    list of Bar
        One a timber that is cut, in the plan's order. Pieces that are together longer than their timber lie
        side by side, one lane for each place in the section.
    """
    by: dict[str, list[Assignment]] = {}
    for each in made.assignments:
        by.setdefault(each.tag, []).append(each)
    return [_bar(tag, taken, lengths_mm.get(tag), made.left_mm.get(tag, 0.0)) for tag, taken in by.items()]


def _bar(tag: str, taken: Sequence[Assignment], length_mm: float | None, left_mm: float) -> Bar:
    asked = sum(each.count * each.length_mm for each in taken)
    length = length_mm or asked + left_mm
    if asked <= length:
        return Bar(tag=tag, length_mm=length, lanes=(_lane(taken, length),))
    beside: dict[tuple[float, float], list[Assignment]] = {}
    for each in taken:
        at = (round(each.place.centre_x_mm), round(each.place.centre_y_mm))
        beside.setdefault(at, []).append(each)
    lanes = tuple(_lane(each, length) for each in beside.values())
    return Bar(tag=tag, length_mm=length, lanes=lanes)


def _lane(taken: Sequence[Assignment], length_mm: float) -> Lane:
    pieces = tuple((each.part, each.length_mm) for each in taken for _ in range(each.count))
    return Lane(pieces=pieces, left_mm=max(0.0, length_mm - sum(mm for _, mm in pieces)))


def finding(found: Sequence[Bar], system: System) -> str:
    """Say in one sentence what is cut and what is left.

    Parameters
    ----------
    found : sequence of Bar
        The timbers.
    system : {"inch", "metric"}
        Units of the lengths.

    Returns
    -------
    str
        The sentence.
    """
    pieces = sum(len(lane.pieces) for bar in found for lane in bar.lanes)
    longest = max(found, key=lambda bar: max(lane.left_mm for lane in bar.lanes))
    left = max(lane.left_mm for lane in longest.lanes)
    return (
        f"{count(pieces, 'piece')} {'comes' if pieces == 1 else 'come'} out of "
        f"{count(len(found), 'timber')}; the longest piece left over is "
        f"{show_along(left, system)}, of {longest.tag}."
    )


def html(found: Sequence[Bar], system: System) -> str:
    """Draw the bars as HTML, all to one scale; on a phone each fills its row, so that its words can be read.

    Parameters
    ----------
    found : sequence of Bar
        The timbers.
    system : {"inch", "metric"}
        Units of the lengths.

    Returns
    -------
    str
        A list; each part and what is left is told in its place.
    """
    longest = max(bar.length_mm for bar in found)
    rows = "".join(
        f'<li><b>{words.esc(bar.tag)}</b> <span class="b-dim">{show_along(bar.length_mm, system)}</span>'
        + "".join(_drawn(lane, bar.length_mm / longest, system) for lane in bar.lanes)
        + "</li>"
        for bar in found
    )
    return f'<ul class="b-bars">{rows}</ul>'


def _drawn(lane: Lane, share: float, system: System) -> str:
    parts = "".join(
        f'<span class="b-part" style="flex:{mm:.0f} 1 0"><b>{words.esc(name)}</b> '
        f"{show_along(mm, system)}</span>"
        for name, mm in lane.pieces
    )
    rest = f"{show_along(lane.left_mm, system)} left"
    left = f'<span class="b-left" style="flex:{lane.left_mm:.0f} 1 0">{rest}</span>'
    return (
        f'<div class="b-bar" style="width:{100 * share:.1f}%">{parts}{left if lane.left_mm > 1 else ""}</div>'
    )
