"""Which sensor readings of long ago may go: of every hour or day its median reading stays, marked as such."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

from baulk.ingest.store.moments import DAY_US

THINNABLE: Final = "mqtt"  # the source of readings that may go; what a person took or brought in stays
MARK: Final = "thinned"
EVERY_US: Final[Mapping[str, int]] = {"hourly": DAY_US // 24, "daily": DAY_US}


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What thinning does to one series.

    Parameters
    ----------
    kept : dict of int to str
        Device times of the readings that now stand for others, with their new flags.
    gone : list of int
        Device times of the readings that go.
    """

    kept: dict[int, str]
    gone: list[int]


def thinned(rows: Iterable[tuple[int, float, str]], every_us: int) -> Plan:
    """Choose among readings of one series (device time, value, flags) the lower median of each stretch."""
    stretches: dict[int, list[tuple[float, int, str]]] = {}
    for taken, value, flags in rows:
        stretches.setdefault(taken // every_us, []).append((value, taken, flags))
    kept: dict[int, str] = {}
    gone: list[int] = []
    for those in stretches.values():
        if len(those) == 1:
            continue
        those.sort()
        middle = (len(those) - 1) // 2
        _, taken, flags = those[middle]
        kept[taken] = flags if MARK in flags.split(",") else f"{flags},{MARK}".strip(",")
        gone += [each for k, (_, each, _) in enumerate(those) if k != middle]
    return Plan(kept=kept, gone=sorted(gone))
