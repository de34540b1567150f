"""Which timber a person means who writes its tag otherwise: in small letters, without stroke or noughts."""

from __future__ import annotations

import re

from baulk.dashboard.server.shop_access import ask


def find(asked: str) -> str | None:
    """Return the tag of the timber that is meant.

    Parameters
    ----------
    asked : str
        As it was typed, or stands in an address.

    Returns
    -------
    str or None
        The tag as it was entered: the same in any case; else the only one of the same letters and numbers.
        None where there is none, or several are like it.
    """
    tags = [each.tag for each in ask(lambda s: s.register.list(retired=True))]
    same = [tag for tag in tags if tag.lower() == asked.strip().lower()]
    if same:
        return same[0]
    wanted = _bare(asked)
    like = [tag for tag in tags if _bare(tag) == wanted] if any(wanted) else []
    return like[0] if len(like) == 1 else None


def _bare(tag: str) -> tuple[str, ...]:
    """Return the runs of letters and digits of a tag, noughts in front left out."""
    return tuple(each.lstrip("0") or "0" for each in re.findall(r"[^\W\d_]+|\d+", tag.lower()))
