"""While a timber lies: decay, insects and stain to look for, and what it wants done, in words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from baulk.models.formatting import count, day
from baulk.models.text.common import Values, Writer, pct
from baulk.models.units import System

_STANDS: Final = {
    "good": "the heartwood of {} stands decay well",
    "middling": "the heartwood of {} stands decay fairly well",
    "poor": "the heartwood of {} stands decay badly",
    None: "no table here says how the heartwood of {} stands decay",
}
_WINDOW: Final[Mapping[System, str]] = {"inch": "50 to 95 °F", "metric": "10 to 35 °C"}
_PINHOLE: Final[Mapping[System, str]] = {"inch": "1/16 in", "metric": "1 to 3 mm"}
_OVAL: Final[Mapping[System, str]] = {"inch": "1/4 to 3/8 in", "metric": "6 to 9 mm"}


def _rounded(hours: float) -> str:
    """Return a count of hours to two digits, for the shell is not known more closely."""
    return count(round(float(f"{hours:.2g}")), "hour")


def _decay(v: Values, system: System) -> str:
    stands = _STANDS[v["resistance"]].format(v["species"])
    sap = ", its sapwood like all sapwood badly" if v["has_sapwood"] else ""
    until = "" if v["dry_utc"] is None else f"; the shell is expected below 20 % by {day(v['dry_utc'])}"
    return (
        f"In the last {count(round(v['days']), 'day')} it lay {_rounded(v['hours_h'])} in "
        f"air of {_WINDOW[system]} "
        f"with its shell above 20 % (now {pct(v['shell_pct'])}), in which wood can rot (Wood Handbook, "
        f"chapter 14){until}. {stands[0].upper()}{stands[1:]}{sap}. Move air over it, keep rain and earth "
        "off it, and try soft or stained places with an awl; wear a mask where mould or rot is brushed off."
    )


def _stain(v: Values, _system: System) -> str:
    return (
        f"Its sapwood can turn blue: the shell is at {pct(v['shell_pct'])} and the air is warm (NAVFAC "
        "MO-312: some woods within a week). Sticker it, let air to every face; a dip or spray against stain "
        "is poisonous, is used as its label says, and its dust is kept out of the lungs when planed."
    )


def _ambrosia(_v: Values, _system: System) -> str:
    return (
        "Ambrosia beetles fly on days so warm and bore into green sapwood (NAVFAC MO-312): look for "
        "pinholes with a dark rim and fresh pale dust, take bark and wane edges off, and dry the shell "
        "(they leave dry wood alone)."
    )


def _powderpost(v: Values, system: System) -> str:
    return (
        f"Powderpost beetles are about in these warm weeks and like the dry sapwood of {v['species']}: look "
        f"for round holes of {_PINHOLE[system]} (common practice) and dust as fine as flour below it, and "
        "keep such a piece apart. Whoever treats wood against insects follows the label and the local law."
    )


def _longhorn(v: Values, system: System) -> str:
    return (
        f"House longhorn beetles lay in summer into checks of half-dry softwood such as {v['species']}: look "
        f"for oval holes of {_OVAL[system]} (common practice) and listen for gnawing (season: Georgia "
        "Forestry Commission). Whoever treats wood against insects follows the label and the local law."
    )


def _turn(v: Values, _system: System) -> str:
    return (
        f"It has lain {count(round(v['days']), 'day')} on the same side: turn it, so that all faces dry "
        "alike (common "
        "practice: every two months while it is wet). Lift it with a hoist or enough people and never stand "
        "below it; enter the turn."
    )


def _stickers(v: Values, _system: System) -> str:
    return (
        f"Its stickers have not been noted as moved for {count(round(v['days']), 'day')}: look below "
        "them for mould and "
        "stain and shift them by their width, dry ones in one line above each other (common practice: every "
        "four months). Lift a pile only with the pieces above secured."
    )


def _coat(v: Values, _system: System) -> str:
    return (
        f"Its coat is {count(round(v['days']), 'day')} old: look for cracks, above all on the ends, and "
        "coat again where "
        "it has opened (common practice: twice a year while it is wet). Coats and their solvents want open "
        "air and no flame."
    )


def _notice(v: Values, _system: System) -> str:
    return (
        f"{v['tag']} has lain warm for weeks with its shell still at {pct(v['shell_pct'])}, in which wood "
        "can rot: move air over it, keep rain off it, and try it for soft places; its page says more"
    )


SENTENCES: Final[Mapping[str, Writer]] = {
    "keeping.decay": _decay,
    "keeping.stain": _stain,
    "keeping.ambrosia": _ambrosia,
    "keeping.powderpost": _powderpost,
    "keeping.longhorn": _longhorn,
    "keeping.turn": _turn,
    "keeping.stickers": _stickers,
    "keeping.coat": _coat,
    "notice.decay": _notice,
}
