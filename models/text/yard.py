"""What a yard has learned, and what a timber's answer leans on besides its own readings, in words."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final

from baulk.models.formatting import capital, count, factor
from baulk.models.units import System

Values = Mapping[str, Any]


def _leans_on(v: Values, _: System) -> str:
    return f"How fast it dries rests on {_kin(v)}."


def _dries_unlike(v: Values, _: System) -> str:
    they = "they say" if v["timbers"] > 1 else "that one says"
    return f"It dries unlike {_kin(v)}, so what {they} counts for less than its own readings."


def _kin(v: Values) -> str:
    near, rest = v["near"], v["timbers"] - v["near"]
    lot = f"{count(near, 'other timber')} of its lot" if near else ""
    kind = f"other {v['species']} timber" if near else f"{v['species']} timber"
    other = f"{count(rest, kind)} of this yard" if rest else ""
    return " and ".join(part for part in (lot, other) if part)


def _missed(v: Values, _: System) -> str:
    missed = "missed by more" if v["compared"] == 1 else "have missed by more"
    return _forecasts(v, missed, "wider")


def _came_nearer(v: Values, _: System) -> str:
    return _forecasts(v, "came nearer" if v["compared"] == 1 else "have come nearer", "narrower")


def _forecasts(v: Values, did: str, way: str) -> str:
    number = v["compared"]
    earlier = "One earlier forecast" if number == 1 else f"{number} earlier forecasts"
    return (
        f"{earlier} of {v['species']} {did} than was to be expected, so this one is "
        f"{100 * v['width_share']:.0f} % {way}."
    )


def _factor(v: Values) -> tuple[str, str]:
    low, middle, high = v["factor"]
    return factor(middle), f"({factor(low)} to {factor(high)})"


def _wood_dries(v: Values, _: System) -> str:
    times, span = _factor(v)
    wood = capital(v["about"])
    return f"{wood} of a new lot is expected to dry {times} times as fast as the table says {span}."


def _place_dries_faces(v: Values, _: System) -> str:
    times, span = _factor(v)
    return f"{capital(v['about'])} lets faces give off moisture {times} times as freely {span}."


def _points(v: Values, up: str, down: str) -> tuple[str, str]:
    low, middle, high = v["off_pct"]
    return f"{abs(middle):.1f} points {up if middle > 0 else down}", f"({low:+.1f} to {high:+.1f})"


def _meter_reads(v: Values, _: System) -> str:
    points, span = _points(v, "high", "low")
    return f"{capital(v['about'])}: pins read {points} {span}."


def _place_settles(v: Values, _: System) -> str:
    points, span = _points(v, "wetter", "drier")
    return f"{capital(v['about'])} brings wood to {points} than its air says {span}."


def _forecasts_widened(v: Values, _: System) -> str:
    return (
        f"Forecasts of {v['species']} are made {v['factor']:.2f} times as wide as the model alone would make "
        "them."
    )


SENTENCES: Final[Mapping[str, Callable[[Values, System], str]]] = {
    "yard.leans_on": _leans_on,
    "yard.dries_unlike": _dries_unlike,
    "yard.forecasts_missed": _missed,
    "yard.forecasts_came_nearer": _came_nearer,
    "yard.wood_dries": _wood_dries,
    "yard.place_dries_faces": _place_dries_faces,
    "yard.meter_reads": _meter_reads,
    "yard.place_settles": _place_settles,
    "yard.forecasts_widened": _forecasts_widened,
}
