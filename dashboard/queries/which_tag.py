"""Which timber a person means who writes its tag in small letters, without stroke, or as it was before."""

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
        The tag that the timber has now: the same in any case; else of the one that had it before; else the
        only one of the same letters and numbers. None where there is none, or several are like it.
    """
    tags, names = ask(lambda s: (s.register.tags(), s.store.names()))
    now_of = {**names.undone, **names.former, **{tag: tag for tag in tags}}  # a tag of now comes first
    for old, now in reversed(now_of.items()):
        if old.lower() == asked.strip().lower():
            return now
    wanted = _bare(asked)
    like = {now for old, now in now_of.items() if _bare(old) == wanted} if any(wanted) else set()
    return like.pop() if len(like) == 1 else None


def _bare(tag: str) -> tuple[str, ...]:
    """Return the runs of letters and digits of a tag, noughts in front left out."""
    return tuple(each.lstrip("0") or "0" for each in re.findall(r"[^\W\d_]+|\d+", tag.lower()))
