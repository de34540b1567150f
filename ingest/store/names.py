"""What timbers were called before: a tag that was changed still reaches its timber.

One note of the store holds it; the register writes it in the transaction that changes a tag, and whoever
stores a reading looks at it in its own transaction, so that no program goes by what it remembers.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Any, Final

from baulk.models.quantity import Owner
from baulk.models.reading import Reading, Series

KEY: Final = "renamed"


@dataclass(frozen=True, slots=True, kw_only=True)
class Names:
    """The tags that were changed.

    Parameters
    ----------
    former : mapping of str to str
        By a former tag the one that its timber has now.
    first : mapping of str to str
        By the tag of now the one that the timber was entered with, where that is another.
    undone : mapping of str to str
        By a tag whose change was undone the one that its timber has now; no timber need have it.
    mark : bytes
        The note itself.
    """

    former: Mapping[str, str] = field(default_factory=dict)
    first: Mapping[str, str] = field(default_factory=dict)
    undone: Mapping[str, str] = field(default_factory=dict)
    mark: bytes = b""

    def now(self, tag: str) -> str:
        """Return what the timber is called now that had this tag; any other tag as it is."""
        return self.former.get(tag, tag)

    def like(self, tag: str) -> str | None:
        """Return what the timber is called now that had this tag, in small letters or capitals."""
        wanted = tag.strip().lower()
        return next((now for old, now in self.former.items() if old.lower() == wanted), None)

    def of(self, tag: str) -> tuple[str, ...]:
        """Return the former tags of the timber that is called so now, in the order of the alphabet."""
        return tuple(sorted(old for old, now in self.former.items() if now == tag))

    def series(self, one: Series) -> Series:
        """Return a series under the tag of now."""
        return called(one, self.now(one.name)) if one.owner is Owner.TIMBER else one

    def readings(self, given: Sequence[Reading]) -> list[Reading]:
        """Return readings under the tags of now, those of other timbers as they are."""
        return [
            replace(one, series=self.series(one.series))
            if one.series.name in self.former and one.series.owner is Owner.TIMBER
            else one
            for one in given
        ]

    def entered_as(self, tag: str) -> str:
        """Return the tag that a timber was entered with, which has or had this one."""
        now = self.now(tag)
        return self.first.get(now, now)

    def written(self) -> bytes:
        """Return the note."""
        return json.dumps(
            {"former": dict(self.former), "first": dict(self.first), "undone": dict(self.undone)}
        ).encode()


NONE: Final = Names()


@lru_cache(maxsize=4)
def read(note: bytes) -> Names:
    """Return what a note says; none is no change at all."""
    if not note:
        return NONE
    body = json.loads(note)
    return Names(former=body["former"], first=body["first"], undone=body["undone"], mark=note)


def asked(run: Callable[[str, Mapping[str, object]], list[Any]]) -> Names:
    """Return what the note says, by a statement that is run inside a transaction or without one."""
    rows = run("SELECT value FROM note WHERE key = :key", {"key": KEY})
    return read(bytes(rows[0][0]) if rows else b"")


@lru_cache(maxsize=4096)
def called(series: Series, name: str) -> Series:
    """Return the same series under another name."""
    return series if series.name == name else replace(series, name=name)
