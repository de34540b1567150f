"""What became of a reading, in one cell of its row: each correction with what it found, who, when and why."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from itertools import pairwise
from typing import Any, Final

from baulk.ingest import correction_notes
from baulk.ingest.correction_notes import Correction
from baulk.ingest.store import Store
from baulk.ingest.store.reading_body import note_of, reading_of_note
from baulk.models.errors import BaulkError, OutOfRange
from baulk.models.quantity import Owner
from baulk.models.reading import Reading, Series

TAKEN_BACK: Final = "taken-back"  # in the flags of a row without a value
_MOST: Final = 50  # of one reading
_LONGEST: Final = 2_000  # of who and why
_WHAT: Final = "the corrections"


class Chains:
    """The corrections of a timber or a place that count, by the reading that they left.

    Parameters
    ----------
    store : Store
        Where they are noted.
    owner, name : Owner, str
        Of which.
    """

    def __init__(self, store: Store, owner: Owner, name: str) -> None:
        made = [one for one in correction_notes.listed(store, owner, name) if one.counts]
        self._left: dict[tuple[Series, datetime, float], list[Correction]] = {}
        for one in made:
            if one.now is not None:
                self._left.setdefault(_ident(one.now), []).append(one)
        self._ended = [one for one in made if one.now is None]

    def of(self, reading: Reading) -> list[Correction]:
        """Return what a reading went through, oldest first; nothing for most."""
        return self._before(reading, {key: [*each] for key, each in self._left.items()}) if self._left else []

    def taken_back(self) -> list[list[Correction]]:
        """Return what each reading went through that was taken back in the end."""
        return [
            [*self._before(one.was, {key: [*each] for key, each in self._left.items()}), one]
            for one in self._ended
        ]

    def _before(
        self, reading: Reading, left: Mapping[tuple[Series, datetime, float], list[Correction]]
    ) -> list[Correction]:
        """Go back from what was left to what was found; each counts once, for a value may have come back."""
        chain: list[Correction] = []
        while made := left.get(_ident(reading)):
            chain.append(made.pop())
            reading = chain[-1].was
        return chain[::-1]


def cell(chain: Sequence[Correction]) -> str | None:
    """Return the cell of a row."""
    if not chain:
        return None
    steps = [
        {
            "was": note_of(one.was),
            "by": one.by,
            "note": one.note,
            "at_utc": one.at_utc.isoformat(),
        }
        for one in chain
    ]
    return json.dumps(steps, ensure_ascii=False)


def read(text: str, series: Series, now_utc: datetime) -> tuple[Correction, ...]:
    """Return the corrections in a cell; the last one left nothing yet, for the row says what.

    Parameters
    ----------
    text : str
        As `cell` writes it.
    series : Series
        Of the row; all of them are of its timber or place, whatever the tag was when they were made.
    now_utc : datetime
        Now; later ones are refused.

    Raises
    ------
    OutOfRange
        If it can't be read.
    """
    try:
        found = json.loads(text)
        if not (isinstance(found, list) and 0 < len(found) <= _MOST):
            raise OutOfRange(_WHAT, f"are a list of 1 to {_MOST}")  # noqa: TRY301 - said as it is below
        made = tuple(_correction(each, series, now_utc) for each in found)
    except OutOfRange:
        raise
    except (
        BaulkError,
        ValueError,
        TypeError,
        KeyError,
        AttributeError,
        RecursionError,
        OverflowError,
    ) as err:
        raise OutOfRange(
            _WHAT, "of the row can't be read; leave the cell as `baulk export readings` wrote it, or empty it"
        ) from err
    return tuple(replace(one, now=after.was) for one, after in pairwise(made)) + made[-1:]


def ending(chain: Sequence[Correction], reading: Reading) -> tuple[Correction, ...]:
    """Return them with what they left in the end."""
    flags = (*reading.flags, correction_notes.CORRECTED)
    return (*chain[:-1], replace(chain[-1], now=replace(reading, flags=flags)))


def _correction(body: Mapping[str, Any], series: Series, now_utc: datetime) -> Correction:
    was = reading_of_note(body["was"])
    was = replace(was, series=replace(was.series, name=series.name))
    by, note, at_utc = str(body["by"]), str(body["note"]), datetime.fromisoformat(body["at_utc"])
    if was.series.owner is not series.owner or was.series.quantity is not series.quantity:
        raise OutOfRange(_WHAT, f"are of another thing than {series.quantity.value} of {series.name}")
    if not was.taken_utc <= now_utc >= at_utc:
        raise OutOfRange(_WHAT, "lie ahead of the clock")
    if max(len(by), len(note)) > _LONGEST:
        raise OutOfRange(_WHAT, f"say who and why in at most {_LONGEST} letters")
    return Correction(number=0, was=was, now=None, by=by, note=note, at_utc=at_utc)


def _ident(reading: Reading) -> tuple[Series, datetime, float]:
    return reading.series, reading.taken_utc, reading.value
