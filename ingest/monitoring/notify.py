"""Notices by e-mail, phone and whatever else the apprise library reaches; its addresses hold secrets."""

from __future__ import annotations

import logging
import os
from collections.abc import Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from pathlib import Path
from time import monotonic
from typing import Final

from baulk.ingest.errors import ConfigError, extra_missing
from baulk.ingest.monitoring import notices
from baulk.ingest.monitoring.notices import Notice
from baulk.ingest.shop import Shop
from baulk.models.formatting import capital
from baulk.models.text.common import span
from baulk.models.text.notices import about
from baulk.models.units import System

LOG: Final = logging.getLogger("baulk.notices")
ENV: Final = "BAULK_NOTICE_URLS"
FILE: Final = "notices.urls"
EVERY: Final = timedelta(minutes=1)
SPARING: Final = 400.0  # times as long as a look took, until the next
RAREST_S: Final = 1800.0  # and yet twice an hour
PAUSES: Final = (timedelta(minutes=1), timedelta(minutes=5), timedelta(minutes=30), timedelta(hours=2))
MOST: Final = 12  # sentences in one message


def addresses(folder: Path, env: Mapping[str, str] = os.environ) -> list[str]:
    """Return the addresses to send to: from the environment, and from a file that only its owner reads.

    Raises
    ------
    ConfigError
        If the file can be read by others, or not at all.
    """
    found = env.get(ENV, "").split()
    path = folder / FILE
    try:
        mode = path.stat().st_mode
    except FileNotFoundError:
        return found
    if mode & 0o077:
        raise ConfigError(f"{path} holds secrets and can be read by others; run: chmod 600 {path}")
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as err:
        raise ConfigError(f"{path} can't be read: {err}") from err
    return found + [line.strip() for line in lines if line.strip() and not line.lstrip().startswith("#")]


def send(to: Sequence[str], title: str, body: str) -> dict[str, str]:
    """Send one message to every address; return those that failed, each with a sentence.

    A sentence never names an address in full, for it holds passwords.
    """
    try:
        import apprise  # noqa: PLC0415 - an extra: most shops send nothing
    except ImportError:
        return dict.fromkeys(to, extra_missing("Sending notices", "notify"))
    failed = {}
    for address in to:
        kind = address.partition(":")[0][:20]
        one = apprise.Apprise()
        if not one.add(address):
            failed[address] = f"an address that begins with {kind}: is not understood; correct it in {FILE}"
        elif not one.notify(title=title, body=body):
            failed[address] = f"the messenger {kind}: did not take the message"
    return failed


@dataclass(frozen=True, slots=True, kw_only=True)
class _Letter:
    """Notices on their way, and the addresses that have not had them yet."""

    sent: tuple[Notice, ...]
    to: tuple[str, ...]


class Messenger:
    """Sends what is due in a thread of its own, so that a slow messenger never holds up forecasts.

    Parameters
    ----------
    shop : Shop
        An open shop, used by the caller's thread only.
    """

    def __init__(self, shop: Shop) -> None:
        self._shop = shop
        self._thread = ThreadPoolExecutor(max_workers=1, thread_name_prefix="notices")
        self._running: Future[dict[str, str]] | None = None
        self._letter: _Letter | None = None
        self._next: datetime | None = None
        self._failures = 0
        self.said = ""

    def move_to(self, shop: Shop) -> None:
        """Go on with the shop opened anew; a message under way is not lost."""
        self._shop = shop

    def turn(self, now_utc: datetime) -> list[Notice]:
        """Look once a minute, and hand over what is due; return what was told since the last turn.

        In a large yard a look takes seconds; then it is rarer, so that looking takes 1/400 of the time.
        """
        done = self._done(now_utc)
        if self._running is not None or (self._next is not None and now_utc < self._next):
            return done
        began = monotonic()
        notices.look(self._shop, now_utc)
        self._next = now_utc + max(EVERY, timedelta(seconds=min((monotonic() - began) * SPARING, RAREST_S)))
        if self._letter is None:
            waiting = tuple(notices.due(self._shop, now_utc))
            if not waiting:
                return done
            try:
                to = tuple(addresses(self._shop.config.shop_dir))
            except ConfigError as err:
                self._tell(str(err))
                return done
            if not to:
                notices.told(self._shop, waiting, now_utc)  # page and topic have them
                return [*done, *waiting]
            self._letter = _Letter(sent=waiting, to=to)
        yard = self._shop.config.shop
        title, body = message(yard.name, self._letter.sent, yard.units, zone=self._shop.config.zone)
        self._running = self._thread.submit(send, self._letter.to, title, body)
        return done

    def _done(self, now_utc: datetime) -> list[Notice]:
        """Take what came back; an address that had its message never gets it twice."""
        if self._running is None or self._letter is None or not self._running.done():
            return []
        future, letter, self._running = self._running, self._letter, None
        wrong = future.exception()
        failed = dict.fromkeys(letter.to, repr(wrong)) if wrong else future.result()
        if failed:
            pause = PAUSES[min(self._failures, len(PAUSES) - 1)]
            self._failures += 1
            self._next = now_utc + pause
            self._letter = _Letter(sent=letter.sent, to=tuple(failed))
            again = f"tried again in {span(pause.total_seconds())}"
            self._tell("; ".join([*sorted(set(failed.values())), again]))
            return []
        self._failures, self.said, self._letter = 0, "", None
        notices.told(self._shop, letter.sent, now_utc)
        return list(letter.sent)

    def _tell(self, sentence: str) -> None:
        if sentence != self.said:
            LOG.warning("%s", sentence)
        self.said = sentence

    def close(self) -> None:
        """Let a message that is under way go out, for some seconds at most."""
        self._thread.shutdown(wait=False, cancel_futures=True)


def message(
    shop: str, waiting: Sequence[Notice], system: System, *, zone: tzinfo | None = None
) -> tuple[str, str]:
    """Return title and body of one message for several notices, in the shop's units."""
    lines = []
    for each in waiting[:MOST]:
        said = each.words(system, zone=zone)
        end = "" if said.endswith((".", "!", "?")) else "."
        lines.append(f"- {capital(said)}{end}")
    if len(waiting) > MOST:
        lines.append(f"- and {len(waiting) - MOST} more on the pages.")
    first = waiting[0]
    one = f"{first.kind}, {about(first.about, system)}"
    return f"{shop}: {one if len(waiting) == 1 else f'{len(waiting)} notices'}", "\n".join(lines)
