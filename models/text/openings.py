"""Checks, shakes and splits in words: what they have grown by, and what was foretold of them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from baulk.models.formatting import capital, count, day, share, show_gauge, show_movement
from baulk.models.text.common import Writer
from baulk.models.units import System, show_length

Values = Mapping[str, Any]
_WORDS: Final = {"width": "wide", "depth": "deep", "length": "long"}


def named(v: Values) -> str:
    """Return an opening by its kind, its name and its face."""
    name = f" {v['name']}" if v["name"] else ""
    face = f" in face {v['face']}" if v["face"] else ""
    return f"{v['kind']}{name}{face}"


def _grown(v: Values, system: System) -> str:
    """Return each size that has grown, from and to; both widths in fractions, or neither."""

    def told(what: str, sizes_mm: tuple[float, float]) -> str:
        before, after = (show_length(each, system) for each in sizes_mm)
        if what == "width":
            before, after = (show_gauge(each, system) for each in sizes_mm)
            if "." in before + after:
                before, after = (show_movement(each, system) for each in sizes_mm)
        return f"from {before} to {after} {_WORDS[what]}"

    sizes = [told(*each) for each in v["sizes_mm"].items()]
    return f"has grown {' and '.join(sizes)} between {day(v['from_utc'])} and {day(v['to_utc'])}"


def _grew(v: Values, system: System) -> str:
    return f"The {named(v)} {_grown(v, system)}."


def _notice(v: Values, system: System) -> str:
    return (
        f"the {named(v)} of {v['tag']} {_grown(v, system)}: raise the humidity about it, cover it or move it "
        "out of draught and sun, and measure it again within a week"
    )


def _was_foretold(v: Values, _system: System) -> str:
    return (
        f"The {named(v)} opened or grew between {day(v['from_utc'])} and {day(v['to_utc'])}: on "
        f"{day(v['told_utc'])} the chance of that was put at {share(v['probability'])}."
    )


def _was_not_foretold(v: Values, _system: System) -> str:
    return (
        f"The {named(v)} opened or grew between {day(v['from_utc'])} and {day(v['to_utc'])}, and the chance "
        f"of that was put no higher than {share(v['probability'])}: this timber wants damper air than its "
        "margin says."
    )


def _account(v: Values, _system: System) -> str:
    said = []
    if v["grew"]:
        said.append(
            f"of {count(v['grew'], 'time')} that a check opened or grew the margin had foretold "
            f"{v['foretold']}"
        )
    if v["quiet"]:
        said.append(
            f"of {count(v['quiet'], 'look')} at one that had not grown it had foretold growth for "
            f"{v['in_vain']}"
        )
    return f"{capital('; '.join(said))}."


def _under_told(v: Values, _system: System) -> str:
    return (
        f"Its checks opened or grew {count(v['grew'], 'time')} where what was told leaves "
        f"{v['expected']:.1f} to be expected, so its surface stands less than the published start says: a "
        f"risk is told from a chance of {share(v['told_from'])} on."
    )


SENTENCES: Final[Mapping[str, Writer]] = {
    "opening.grew": _grew,
    "checking.was_foretold": _was_foretold,
    "checking.was_not_foretold": _was_not_foretold,
    "checking.account": _account,
    "checking.under_told": _under_told,
    "notice.check_grew": _notice,
}
