"""Whether the broker still knew the listener's session when it came back, noted for Health and notices.

A broker that lost its memory, a session that ran out, or a stranger who took the listener's client id: each
time what waited is gone, and the only trace is that the broker begins a new session (MQTT 5.0 3.2.2.1.1). One
who leaves a session of his own under our name hides that; our subscriptions are new then (`_arrived`).
A session by which no message ever came has lost nothing that anybody knows of, and is not told: a broker that
is being set up begins many.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Final

from baulk.ingest.errors import StoreError
from baulk.ingest.mqtt.session import Session
from baulk.ingest.shop import Shop
from baulk.ingest.store import notes

log = logging.getLogger("baulk.listener")
EVERY: Final = timedelta(minutes=5)  # between two notes of "still connected"


class SessionWatch:
    """What one listener notes of its sessions.

    Parameters
    ----------
    shop : Shop
        An open shop.
    name : str
        The listener's client id.
    now : callable
        The clock.
    """

    def __init__(self, shop: Shop, name: str, now: Callable[[], datetime]) -> None:
        self._shop, self._name, self._now = shop, name, now
        self._met = 0
        self._before: notes.KeptSession | None = None  # what was noted before this connection
        self._told = False  # that its session was lost
        self._noted: datetime | None = None
        self._heard = self._heard_noted = False  # a message by the session at hand

    def took(self, session: Session) -> str | None:
        """Hear that messages have come, without which nothing can be lost; return what `look` does.

        The first is noted at once: the next look may be that of another listener.
        """
        self._heard = True
        return None if self._heard_noted else self.look(session)

    def look(self, session: Session) -> str | None:
        """Note that we are connected; return a sentence if the broker had lost our session.

        A fault of the store leaves it for the next time.
        """
        now_utc, new = self._now(), session.met > self._met
        lost = not session.kept and (new or not self._told)
        still = session.connected and (self._noted is None or now_utc - self._noted >= EVERY)
        first = self._heard and not self._heard_noted
        if session.met == 0 or not (new or lost or still or first):
            return None
        try:
            if new:
                self._before = notes.sessions(self._shop.store).get(self._name)
            said = self._note(session, now_utc, lost=lost)
        except StoreError as err:
            log.info("%s", err)
            return None
        self._met, self._noted, self._told = session.met, now_utc, not session.kept
        return said

    def _note(self, session: Session, now_utc: datetime, *, lost: bool) -> str | None:
        broker, before, until_s = self._shop.config.broker, self._before, session.trusted_until_s
        here = f"{broker.host}:{broker.port}"
        now_kept = notes.sessions(self._shop.store).get(self._name)
        gone = now_kept.gone if now_kept is not None else ()
        said = None
        if lost:
            self._heard = False
        heard = self._heard or (not lost and now_kept is not None and now_kept.heard)
        if lost and before is not None and before.broker == here and before.heard:
            gone = (*gone, (before.seen_utc, now_utc))[-notes.MOST_GONE :]
            seen = before.seen_utc.astimezone(self._shop.config.zone)
            said = (
                "the broker no longer knew our session: what sensors sent since "
                f"{seen:%Y-%m-%d %H:%M} and was not fetched is lost; see Health"
            )
        fresh = notes.KeptSession(
            broker=here,
            seen_utc=now_utc,
            gone=gone,
            trusted_until_utc=None if until_s is None else datetime.fromtimestamp(until_s, UTC),
            heard=heard,
        )
        notes.keep_session(self._shop.store, self._name, fresh)
        self._heard_noted = heard
        return said
