"""What a moisture meter shows, as people write it down: "28.5", "28,5 %", ">30", "OL", "over"."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Final

from baulk.models.errors import OutOfRange

# A meter with pins means little beyond fibre saturation, and most scales end there or above; in
# `constants.csv`, common practice
OVER_PCT: Final = 30.0

_NUMBER = r"(?P<number>\d+(?:[.,]\d*)?|[.,]\d+)\s*%?"
_PLAIN: Final = re.compile(_NUMBER)
_OVER: Final = re.compile(
    r"(?:(?:>=?|≥|over|above|at least|more than|beyond)\s*(?:" + _NUMBER + r")?"
    r"|(?:o\.?\s?l\.?|0l|overload|over-?range|out of range)"
    r"|(?P<before>\d+(?:[.,]\d*)?)\s*%?\s*\+)",
    re.IGNORECASE,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """A meter's answer.

    Parameters
    ----------
    mc_pct : float
        Its number, or where its scale ended. [% of oven-dry mass]
    at_least : bool
        Whether the scale ended there, so that the wood is this wet or wetter.
    """

    mc_pct: float
    at_least: bool = False


def read(text: str, *, top_pct: float | None = None) -> Shown:
    """Read a meter's answer as it was typed.

    Parameters
    ----------
    text : str
        A number with or without a percent sign, with a comma or a point; or "OL", ">30", "over", "30+" where
        the meter's scale ended.
    top_pct : float, optional
        Where the scale of this meter ends, for an answer without a number; 30 if left out. [%]

    Returns
    -------
    Shown
        The number, and whether it means "at least".

    Raises
    ------
    OutOfRange
        If it is neither.
    """
    said = text.strip()
    if (plain := _PLAIN.fullmatch(said)) is not None:
        return Shown(mc_pct=_number(plain["number"]))
    if (found := over(said, top_pct=top_pct)) is not None:
        return found
    raise OutOfRange(
        "the moisture content", f"is a number such as 28.5, or OL or >30 for at least, not {text!r}"
    )


def over(text: str, *, top_pct: float | None = None) -> Shown | None:
    """Return an answer that means "at least"; None for a number and for anything else.

    Parameters
    ----------
    text : str
        What was typed.
    top_pct : float, optional
        Where the scale of this meter ends, for an answer without a number; 30 if left out. [%]

    Returns
    -------
    Shown or None
        With `at_least` set.
    """
    found = _OVER.fullmatch(text.strip())
    if found is None:
        return None
    number = found["number"] or found["before"]
    end_pct = OVER_PCT if top_pct is None or not math.isfinite(top_pct) else top_pct
    return Shown(mc_pct=_number(number) if number else end_pct, at_least=True)


def names_no_number(text: str) -> bool:
    """Whether an answer says only that the scale ended, as "OL" does.

    Parameters
    ----------
    text : str
        What was typed.

    Returns
    -------
    bool
        False for anything with a number in it.
    """
    found = _OVER.fullmatch(text.strip())
    return found is not None and not (found["number"] or found["before"])


def _number(text: str) -> float:
    return float(text.replace(",", "."))
