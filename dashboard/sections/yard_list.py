"""The yard as a list: tiles that filter it, and two lines for each timber, grouped by what is to be done."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Final
from urllib.parse import quote, urlencode

from baulk.dashboard import words
from baulk.dashboard.charts.moisture_scale import moisture_colour
from baulk.dashboard.queries import yard_groups
from baulk.dashboard.queries.yard_rows import YardRow
from baulk.models import units
from baulk.models.text.common import pct

PART: Final = 150  # rows at once: what a browser lays out in the time of an empty page
ALL: Final = "all"
_DIGITS: Final = 9


def tiles(by: Mapping[str, Sequence[YardRow]], shown: str, said: Mapping[str, str]) -> str:
    """Return the four tiles as HTML.

    Parameters
    ----------
    by : mapping of str to sequence of YardRow
        All timbers by their group.
    shown : str
        The group of the pressed tile; empty for none.
    said : mapping of str to str
        What else the address says, which a tile keeps.

    Returns
    -------
    str
        Links; the pressed one leads back to all.
    """
    made = []
    for name in yard_groups.TILES:
        group, pressed = yard_groups.GROUPS[name], name == shown
        query = urlencode({**said, **({} if pressed else {"show": name})})
        goal = f"/?{query}" if query else "/"
        made.append(
            f'<a class="b-tile{"" if by[name] else " b-none"}" href="{goal}" target="_self"'
            f"{' aria-current=true' if pressed else ''}><b>{len(by[name])}</b> "
            f'<span><span class="b-shape" aria-hidden="true">{group.shape}</span>{group.word}</span></a>'
        )
    return f'<nav class="b-tiles" aria-label="Show only">{"".join(made)}</nav>'


def groups(
    by: Mapping[str, Sequence[YardRow]], system: units.System, now: datetime, shown: range | None = None
) -> str:
    """Return the groups that hold a timber, each with its rows, as HTML.

    Parameters
    ----------
    by : mapping of str to sequence of YardRow
        The timbers by their group, in order.
    system : {"inch", "metric"}
        Units.
    now : datetime
        The moment, with a time zone.
    shown : range, optional
        Which of all the rows, counted through the groups; every one if left out.

    Returns
    -------
    str
        A heading with the number of the whole group, and those of its rows that are shown.
    """
    made, before = [], 0
    for name, rows in by.items():
        here = rows if shown is None else rows[max(shown.start - before, 0) : max(shown.stop - before, 0)]
        before += len(rows)
        if here:
            group = yard_groups.GROUPS[name]
            body = "".join(f"<li>{timber(row, system, now)}</li>" for row in here)
            made.append(
                f'<h2><span class="b-shape" aria-hidden="true">{group.shape}</span>{group.word} '
                f'<span class="b-dim">{len(rows)}</span></h2><ul class="b-timbers">{body}</ul>'
            )
    return "".join(made)


def part(count: int, asked: str) -> range:
    """Return which of so many rows are shown.

    Parameters
    ----------
    count : int
        Rows of the whole list.
    asked : str
        Which part, from "1" up, or "all"; the first where there is no such part.
    """
    if count <= PART or asked == ALL:
        return range(count)
    begin = (int(asked) - 1) * PART if asked.isdecimal() and len(asked) < _DIGITS else 0
    begin = begin if 0 <= begin < count else 0
    return range(begin, min(begin + PART, count))


def parts(count: int, shown: range, said: Mapping[str, str]) -> str:
    """Return the line that says which part of a list is shown, with the ways to the rest, as HTML.

    Parameters
    ----------
    count : int
        Rows of the whole list.
    shown : range
        As `part` gives it.
    said : mapping of str to str
        What else the address says.

    Returns
    -------
    str
        Empty where a list is short.
    """
    if count <= PART:
        return ""
    if len(shown) == count:
        ways = [(f"First {PART}", "")]
    else:
        at = shown.start // PART + 1
        ways = [(f"Previous {PART}", str(at - 1))] if shown.start else []
        if (left := count - shown.stop) > 0:
            ways.append((f"Next {min(PART, left)}", str(at + 1)))
        ways.append((f"All {count}", ALL))
    goals = [words.esc(urlencode({**said, **({"part": to} if to else {})})) for _, to in ways]
    links = "".join(
        f'<a href="/?{goal}" target="_self">{word}</a>' for goal, (word, _) in zip(goals, ways, strict=True)
    )
    return (
        f'<p class="b-dim">{shown.start + 1} to {shown.stop} of {count} timbers</p>'
        f'<nav class="b-links" aria-label="Pages of the list">{links}</nav>'
    )


def timber(row: YardRow, system: units.System, now: datetime) -> str:
    """Return one timber as a link of two lines, which are columns where there is room."""
    one, answer = row.timber, row.answer
    about = yard_groups.about(row)
    date = words.step_from(answer.verdict, "square", now) if answer else "being computed"
    when = "" if yard_groups.of(row) == yard_groups.SQUARE else f"square {date}" if answer else date
    size = units.show_size(one.section.width_mm, one.section.depth_mm, system)
    want = units.show_size(one.finished.width_mm, one.finished.depth_mm, system)
    newest = words.age(row.newest_utc, now) if row.newest_utc else ""
    core = answer.core_now_pct if answer else None
    wet = (
        f'<span class="b-chip" style="background:{moisture_colour(core.median)}"></span>'
        f'core {pct(core.median)} <span class="b-dim">{core.low:.0f} to {core.high:.0f}</span>'
        if core
        else ""
    )
    return (
        f'<a class="b-timber" href="/timber?tag={quote(one.tag)}" target="_self">'
        f'<b class="b-tag">{words.esc(one.tag)}</b> '
        f'<span class="b-why{" b-attend" if about else ""}">{words.esc(about or when)}</span> '
        f'<span class="b-of">{words.esc(f"{one.species}, {one.place}")}</span> '
        f'<span class="b-core">{wet}</span> '
        f'<span class="b-wide">{words.esc(size)} <span class="b-dim">to {words.esc(want)}</span></span> '
        f'<span class="b-wide b-dim">{words.esc(newest)}</span></a>'
    )
