"""What a listener tells back: new verdicts, the night's air plans, and what announces them; all retained."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from baulk.ingest.mqtt import announce, connection, publish, publish_plan
from baulk.ingest.mqtt.session import Session
from baulk.ingest.shop import Shop


class Answers:
    """What one listener has told the broker.

    Parameters
    ----------
    shop : Shop
        An open shop.
    session : Session
        By which it tells.
    now : callable
        The clock.
    """

    def __init__(self, shop: Shop, session: Session, now: Callable[[], datetime]) -> None:
        self._shop, self._session, self._now = shop, session, now
        self._met = 0
        self._verdicts: dict[str, datetime] = {}
        self._announced: dict[str, bytes] = {}
        self._plans: dict[str, datetime] = {}

    def begin_anew(self) -> bool:
        """Forget what was told if the broker may have lost it; return whether that is so.

        One that no longer knows our session may have lost what it kept for others, too.
        """
        if not self._session.connected or self._session.met == self._met:
            return False
        self._met = self._session.met
        if self._session.kept:
            return False
        for each in (self._verdicts, self._announced, self._plans):
            each.clear()
        return True

    def tell_plans(self) -> None:
        """Tell what the night planned of the air, which changes no revision of the store."""
        if not self._session.connected or self._session.protocol != connection.V5:
            return  # before MQTT 5 a plan could not lapse
        told = False
        for one in publish_plan.changes(self._shop, self._plans, self._now()):
            self._session.publish(one.topic, one.payload, one.lapses_s)
            told = True
        if told:
            self._announce()

    def tell(self, stop: Callable[[], bool]) -> bool:
        """Tell verdicts that are new, and what is announced; return whether that was all before the stop."""
        if not self._session.connected:
            return False
        for one in publish.messages(self._shop, self._verdicts):
            if stop():
                return False
            self._session.publish(one.topic, one.payload)
            self._verdicts[one.tag] = one.made_utc
        self._announce()
        return True

    def _announce(self) -> None:
        for topic, payload in announce.changes(self._shop, self._announced):
            self._session.publish(topic, payload)
