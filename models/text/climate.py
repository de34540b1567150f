"""Which air a forecast rests on, and what the air of the last weeks asks for, in words."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final

from baulk.models.formatting import count, share
from baulk.models.units import System

Values = Mapping[str, Any]


def _gaps(v: Values, _: System) -> str:
    one = v["gaps"] == 1
    many = "a gap" if one else f"{v['gaps']} gaps"
    longest = "" if one else f" (the longest {v['longest_days']:.0f})"
    return (
        f"The air of {v['place']} has {many} of {count(round(v['days']), 'day')}{longest} since "
        f"{_who(v)} came; the "
        f"months' usual air stands in for {'it' if one else 'them'}."
    )


def _who(v: Values) -> str:
    """Return whose time it is: a yard says the tag, a timber's own page needs none."""
    return str(v.get("tag", "the timber"))


def _mould(v: Values, _: System) -> str:
    return (
        f"In the last {count(round(v['days']), 'day')} the air of {v['place']} was damp enough for mould in "
        f"{share(v['damp_share'])} of the time (Hukka & Viitanen 1999). Mould needs weeks of it: look at the "
        "wet faces and keep the air moving."
    )


def _settings_only(v: Values, _: System) -> str:
    return (
        f"The air ahead is the settings' climate, because {v['place']} has no full month of its own record."
    )


def _partly_own(v: Values, _: System) -> str:
    return (
        f"The air ahead is {v['place']}'s own record for {v['months']} of twelve months, and the settings' "
        "climate or the nearest month for the rest."
    )


def _short_record(v: Values, _: System) -> str:
    return (
        f"The air of {v['place']} is known for {v['months']} of twelve months, so the dates rely on the "
        "weather so far. A [climate] in the settings would help."
    )


SENTENCES: Final[Mapping[str, Callable[[Values, System], str]]] = {
    "climate.gaps": _gaps,
    "climate.mould": _mould,
    "climate.settings_only": _settings_only,
    "climate.partly_own": _partly_own,
    "climate.short_record": _short_record,
}
