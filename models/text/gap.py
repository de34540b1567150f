"""Room to leave in a joint, what opens in it, and how it swells in the water, in words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from baulk.models.formatting import share, show_movement, show_movement_range
from baulk.models.text.common import Values, Writer, pct
from baulk.models.units import System

_WHERE: Final = {
    "seam": "in each seam",
    "groove": "at the bottom of each groove",
    "housed": "beside it in all",
}


def _leave(v: Values, system: System) -> str:
    return (
        f"Leave {show_movement_range(v['leave_mm'], system)} {_WHERE[v['joint']]}: it is at "
        f"{pct(v['now_pct'])} and swells until {pct(v['high_pct'])}. The upper end keeps it from crushing or "
        "pushing what is beside it."
    )


def _tight(v: Values, system: System) -> str:
    most_mm = v["leave_mm"][2]
    least = f"; at its driest it may want up to {show_movement(most_mm, system)}" if most_mm >= 0.05 else ""
    return (
        f"Leave nothing {_WHERE[v['joint']]}: at {pct(v['now_pct'])} it is wetter than in its dampest season "
        f"({pct(v['high_pct'])}) and will only shrink{least}. Better dry it before it is fitted."
    )


def _open(v: Values, system: System) -> str:
    return (
        f"In its driest season, {pct(v['low_pct'])}, it is then open by "
        f"{show_movement_range(v['open_mm'], system)}: what fills or covers it has to follow that."
    )


def _afloat(v: Values, _system: System) -> str:
    told = ", ".join(
        f"{share(part)} after {weeks} {'week' if weeks == 1 else 'weeks'}"
        for weeks, part in zip(v["weeks"], v["shares"], strict=True)
    )
    return (
        f"In the water it has done of its swelling at least {told} (diffusion from one face; water in open "
        "seams and end grain is quicker). Leaks of the first days close as it takes up: do not drive more "
        "caulking into dry seams to stop them, for what swells against it breaks frames and fastenings."
    )


def _mind(v: Values, _system: System) -> str:
    told = (
        "Common practice: try the gap on one joint first, and measure the moisture of each piece, not of the "
        "pile. A structure that carries people or load is for the local code and a licensed designer."
    )
    if v["afloat"]:
        told += (
            " Launch with pumps that run, somebody aboard and the slings left on until the water in the "
            "bilge stands still."
        )
    return told


SENTENCES: Final[Mapping[str, Writer]] = {
    "gap.leave": _leave,
    "gap.tight": _tight,
    "gap.open": _open,
    "gap.afloat": _afloat,
    "gap.mind": _mind,
}
