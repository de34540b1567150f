"""How the sentences write a share and a date."""

from __future__ import annotations

from datetime import datetime


def share(part: float) -> str:
    """Write a probability or a share; never a certainty that an ensemble can't give.

    Parameters
    ----------
    part : float
        0 to 1.

    Returns
    -------
    str
        ``41 %``, or "less than 1 %", or "more than 99 %".
    """
    if part < 0.01:
        return "less than 1 %"
    return "more than 99 %" if part > 0.99 else f"{100 * part:.0f} %"


def day(moment: datetime) -> str:
    """Write a date.

    Parameters
    ----------
    moment : datetime
        The moment.

    Returns
    -------
    str
        ``4 March 2027``.
    """
    return f"{moment.day} {moment:%B %Y}"
