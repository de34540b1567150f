"""The yard as a list: tiles that filter it, and two lines for each timber, grouped by what is to be done."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from urllib.parse import quote, urlencode

from baulk.dashboard import words
from baulk.dashboard.charts.moisture_scale import moisture_colour
from baulk.dashboard.queries import yard_groups
from baulk.dashboard.queries.yard_rows import YardRow
from baulk.models import units
from baulk.models.text.common import pct


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


def groups(by: Mapping[str, Sequence[YardRow]], system: units.System, now: datetime) -> str:
    """Return the groups that hold a timber, each with its rows, as HTML."""
    made = []
    for name, rows in by.items():
        if rows:
            group = yard_groups.GROUPS[name]
            body = "".join(f"<li>{timber(row, system, now)}</li>" for row in rows)
            made.append(
                f'<h2><span class="b-shape" aria-hidden="true">{group.shape}</span>{group.word} '
                f'<span class="b-dim">{len(rows)}</span></h2><ul class="b-timbers">{body}</ul>'
            )
    return "".join(made)


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
