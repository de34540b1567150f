"""Every sentence about a timber, a plan or the yard: reasons put into words in the reader's units.

The top row of `baulk.models`: nothing below imports it, and no code reads a sentence.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from datetime import datetime, tzinfo
from typing import Any, Final

from baulk.models.reason import Reason
from baulk.models.text import (
    air_ways,
    buying,
    calibration,
    cautions,
    changes,
    choices,
    climate,
    common,
    events,
    gap,
    humidity,
    keeping,
    looked_back,
    next_reading,
    notices,
    openings,
    plausible,
    sawing,
    sensors,
    verdict,
    whole_fit,
    yard,
)
from baulk.models.units import System

__all__ = ["SENTENCES", "sentence", "sentences"]

# code -> function of the reason's values and the reader's units
SENTENCES: Final[Mapping[str, Callable[[Mapping[str, Any], System], str]]] = {
    **common.SENTENCES,
    **verdict.SENTENCES,
    **changes.SENTENCES,
    **choices.SENTENCES,
    **next_reading.SENTENCES,
    **calibration.SENTENCES,
    **whole_fit.SENTENCES,
    **yard.SENTENCES,
    **climate.SENTENCES,
    **cautions.SENTENCES,
    **humidity.SENTENCES,
    **air_ways.SENTENCES,
    **sawing.SENTENCES,
    **buying.SENTENCES,
    **events.SENTENCES,
    **notices.SENTENCES,
    **sensors.SENTENCES,
    **openings.SENTENCES,
    **plausible.SENTENCES,
    **keeping.SENTENCES,
    **looked_back.SENTENCES,
    **gap.SENTENCES,
}


def sentence(reason: Reason, system: System, *, zone: tzinfo | None = None) -> str:
    """Return a reason in words.

    Parameters
    ----------
    reason : Reason
        Code and values.
    system : {"inch", "metric"}
        The reader's units.
    zone : tzinfo, optional
        By whose clock its moments are told; this machine's if left out, as `datetime.astimezone` takes it.

    Returns
    -------
    str
        One sentence, or two short ones; empty where there is nothing to say.

    Raises
    ------
    KeyError
        If no module of this package knows the code.
    """
    return SENTENCES[reason.code](_told_by(zone, reason.values), system)


def sentences(reasons: Iterable[Reason], system: System, *, zone: tzinfo | None = None) -> tuple[str, ...]:
    """Return reasons in words, one string each; those with nothing to say are left out."""
    return tuple(said for each in reasons if (said := sentence(each, system, zone=zone)))


def _told_by(zone: tzinfo | None, values: Mapping[str, Any]) -> dict[str, Any]:
    """Put every moment by the reader's clock, those of a reason within a reason too."""
    return {name: _moment(name, each, zone) for name, each in values.items()}


def _moment(name: str, value: Any, zone: tzinfo | None) -> Any:  # noqa: ANN401 - a value of a reason
    if isinstance(value, datetime):
        return value.astimezone(zone)
    if isinstance(value, Mapping):
        return _told_by(zone, value)
    if isinstance(value, tuple | list):
        return tuple(_moment(name, each, zone) for each in value)
    if isinstance(value, str) and name.endswith("_utc"):  # of a nested reason, as JSON has it
        return datetime.fromisoformat(value).astimezone(zone).isoformat()
    return value
