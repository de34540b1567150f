"""The next reading in words: what to measure, and by how much it is expected to reduce the uncertainty."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any, Final

from baulk.models.formatting import capital, show_movement
from baulk.models.units import System, show_length

Values = Mapping[str, Any]

_DO: Final = {
    "weight": "Weigh it today.",
    "core": "Bore a core to the middle today and dry it in an oven.",
    "section": "Cut a slice well in from one end today and dry it in an oven.",
}
_OF: Final = {"date": "date on which it is ready", "movement": "movement to come"}
_FIRST_WEIGHT: Final = (
    "weigh it now and again in four weeks: the first weight tells little by itself, but the loss between the "
    "two tells how fast it dries."
)
_STEP_MM: Final = {"inch": 152.4, "metric": 50.0}  # a distance along the grain is told to so much


def _take(v: Values, system: System) -> str:
    told = [_what(v, system), _worth(v, system)]
    if v["why_not"] == "pins_blind":
        told.append("Pins tell little while the core is above fibre saturation.")
    elif v["why_not"] is not None:
        told.append(f"No pin reading or weight today would reduce it by more than {_least(v)}.")
    if v["or_weigh"]:
        told.append(f"Without cutting, {_FIRST_WEIGHT}")
    return " ".join(told)


def _what(v: Values, system: System) -> str:
    if v["kind"] == "pins":
        return f"Drive pins {show_length(v['depth_mm'], system)} below mid-face today."
    return _DO[v["kind"]]


def _worth(v: Values, system: System) -> str:
    if v["of"] == "date":
        span = f"from {v['sd_days']:.0f} to {v['sd_then_days']:.0f} days"
    else:
        now, then = (show_movement(v[name], system, 1) for name in ("sd_mm", "sd_then_mm"))
        span = f"from {now} to {then}"
    return (
        f"That is expected to reduce the uncertainty of the {_OF[v['of']]} by {100 * v['less_share']:.0f} %: "
        f"its standard deviation falls {span}."
    )


def _least(v: Values) -> str:
    return f"{100 * v['least_share']:.0f} %"


def _settle(v: Values, system: System) -> str:
    step = _STEP_MM[system]
    far = show_length(step * math.ceil(v["from_end_mm"] / step - 1e-9), system)
    return _settling(f"{far} from the end that will be offcut, before one is cut from the middle of it,")


def _settling(where: str) -> str:
    return (
        f"One test settles whether the scale or the pins are right: saw out a section {where} and dry it in "
        "the oven. Until then another weight or pin reading only repeats what each of them says."
    )


def _none(v: Values, _: System) -> str:
    return (
        f"No reading available today would reduce the uncertainty by more than {_least(v)}. Weigh it and "
        "read the same pins again in four weeks."
    )


SENTENCES: Final[Mapping[str, Callable[[Values, System], str]]] = {
    "next_reading.take": _take,
    "next_reading.not_needed": lambda _v, _s: (
        "No further reading would change the answer much; weigh it again in four weeks."
    ),
    "next_reading.first_weight": lambda _v, _s: capital(_FIRST_WEIGHT),
    "next_reading.none": _none,
    "next_reading.settle": _settle,
    "next_reading.settle_from_middle": lambda _v, _s: _settling(
        "at the middle of its length, because it is too short for a sound one nearer an end,"
    ),
}
