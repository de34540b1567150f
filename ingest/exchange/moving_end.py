"""The end of a move: others kept out, a last comparison, and from then on nobody writes to the old store."""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable
from contextlib import suppress
from types import TracebackType
from typing import Final, Self

from baulk.ingest.errors import ExchangeError, StoreError
from baulk.ingest.exchange import moving_books
from baulk.ingest.store import Store, gate
from baulk.ingest.store.statements import Transaction

_RENEW_S: Final = 10.0


class End:
    """The end of one move; what it began and did not end is taken back when it is left.

    Parameters
    ----------
    source, target : Store
        From where, and where to.
    kind : str
        The kind of the new store.
    to : str
        Where that is, for a sentence.
    """

    def __init__(self, source: Store, target: Store, kind: str, to: str) -> None:
        self._source, self._target, self._kind, self._to = source, target, kind, to
        self._old, self._new = (moving_books.database(each).sql for each in (source, target))
        self._key = secrets.token_hex(8)
        self._closed_s: float | None = None
        self._ended = False

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, err: BaseException | None, where: TracebackType | None
    ) -> None:
        if self._closed_s is not None and not self._ended:
            with suppress(StoreError), self._old.alone() as at:
                gate.open_again(at.run)

    def by_others(self) -> int:
        """Give the revision less what this program has raised it by; for two stores on one database."""
        return self._source.revision() - self._old.grown - self._new.grown

    def close(self) -> None:
        """Keep every other writer out, once those at work have ended."""
        with self._old.alone() as at:
            gate.close(at.run, self._to, self._key)
        self._closed_s = time.monotonic()
        self._source.let_end()
        self._source.settle()  # what a person entered meanwhile may wait

    def renew(self) -> None:
        """Keep them out for longer."""
        if self._closed_s is not None and time.monotonic() - self._closed_s > _RENEW_S:
            with self._old.alone() as at:
                gate.close(at.run, self._to, self._key)
            self._closed_s = time.monotonic()

    def switch(self, at: Transaction, *, left: bool) -> None:
        """Have the old database say where the shop is, in the transaction that found nothing to differ."""
        if not gate.is_closed_by(at.run(gate.ASK), self._key):
            raise ExchangeError("the shop is being moved by another program; see what that says, then go on")
        if left:
            moving_books.unmarked(self._target)
        gate.switch(at.run, self._kind, self._to, left=left)

    def then(self, name_it: Callable[[], object]) -> None:
        """Have the settings name the new store; where they can't be written, the old one goes on."""
        name_it()
        self._ended = True
