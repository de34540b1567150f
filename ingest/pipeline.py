"""From message to store: decoded, checked, placed, and stored together with the message as it came."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Mapping, MutableMapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from itertools import chain
from typing import Final

from baulk.ingest import checks, event_checks, known_places, usual, weather_ahead
from baulk.ingest import sensors as ingest_sensors
from baulk.ingest.errors import StoreError, Unlikely
from baulk.ingest.repeats import Repeats, to_keep
from baulk.ingest.routing import Routed, route
from baulk.ingest.shop import Shop
from baulk.ingest.store import presence
from baulk.ingest.store.raw_parts import Taken
from baulk.ingest.store.rejected import EVERYTHING, Cause, QuarantineRow, Which
from baulk.ingest.wire import senml_quick
from baulk.ingest.wire.message import RawMessage
from baulk.models.errors import BaulkError
from baulk.models.formatting import printable
from baulk.models.reading import Reading

log = logging.getLogger("baulk.pipeline")
_AT_ONCE = 500
HEARD: Final = 300  # topics whose last message is remembered
_HEARD_BYTES: Final = 4_000_000


def handle(raw: RawMessage, shop: Shop, *, repeats: Repeats | None = None) -> int:
    """Store what one message says; return how many readings were new."""
    return handle_batch((raw,), shop, repeats=repeats)


def handle_batch(
    raws: Iterable[RawMessage],
    shop: Shop,
    *,
    heard: MutableMapping[str, tuple[RawMessage, Routed]] | None = None,
    repeats: Repeats | None = None,
) -> int:
    """Store what many messages say in one transaction; return how many readings were new.

    The last message of each topic and what became of it is put into ``heard``; ``repeats`` knows what was
    committed before.
    """
    repeats = repeats or Repeats("")
    raws = repeats.fresh(list(raws), shop.store)
    now_utc = datetime.now(UTC)
    if not raws:
        repeats.committed(raws, now_utc)
        return 0
    sensors = ingest_sensors.Sensors(shop)
    understood, odd = _sort_all(raws, shop, sensors)
    if shop.store.apart:
        understood = [
            repeats.unstored(raw, one, shop.store) for raw, one in zip(raws, understood, strict=True)
        ]
    for one in odd.values():
        enter_event(shop, one)
    rejected = [bad for index, one in odd.items() if (bad := one.rejected(raws[index]))]
    if rejected:  # one line for a batch: a flood must not fill the log as well
        raw, reason = rejected[0].raw, rejected[0].reason
        more = f" (and {len(rejected) - 1} more)" if len(rejected) > 1 else ""
        log.warning("into quarantine, from %s: %s%s", printable(raw.topic[:120]), printable(reason), more)
    flagged = checks.flag(chain.from_iterable(understood), shop.store)
    kept = list(raws)
    for index, one in odd.items():
        if one.reason is not None:
            kept[index] = to_keep(raws[index], understood=bool(understood[index]))
    taken = Taken(client=repeats.client, raws=kept, now_utc=now_utc)
    before = _newest(shop) if sensors.asked and rejected else 0
    new = shop.store.save(flagged, rejected, taken=taken)
    repeats.committed(raws, datetime.now(UTC))
    told = {one.about: (one, raws[index]) for index, each in odd.items() for one in each.told}
    for said, raw in told.values():
        presence.keep(shop.store, said, raw.now_utc)
    for sensor in sensors.changed():  # while this was stored; its readings were looked for too early
        follow(shop, sensor, after=before)
    if heard is not None:
        _remember(heard, raws, understood, odd, flagged)
    return new


def _sort_all(
    raws: Sequence[RawMessage], shop: Shop, sensors: ingest_sensors.Sensors
) -> tuple[list[Sequence[Reading]], dict[int, Routed]]:
    """Give the readings of each message, and by index what became of those that needed a closer look."""
    names = shop.store.names(seen=True)  # a tag changed since is seen when its readings are stored
    tags, places = shop.register.known(names=names), known_places.names(shop)
    ways = usual.Ways(shop, tags, places, names)
    understood: list[Sequence[Reading]] = []
    odd: dict[int, Routed] = {}
    for index, raw in enumerate(raws):
        readings: Sequence[Reading] | None = None
        if (way := ways[raw.topic]) is not None:
            try:
                readings = senml_quick.read(raw, way)
            except Exception:
                log.exception("the quick way failed on a message of %s", printable(raw.topic[:120]))
        if readings is None:
            odd[index] = one = route(raw, shop, tags, sensors)
            readings = one.readings
        understood.append(readings)
    if waiting := [index for index, one in odd.items() if one.waits_for]:
        now = shop.register.known(again=True)
        if now != tags or known_places.names(shop, again=True) != places:
            for index in waiting:
                odd[index] = one = route(raws[index], shop, now, sensors)
                understood[index] = one.readings
    return understood, odd


def _remember(
    heard: MutableMapping[str, tuple[RawMessage, Routed]],
    raws: Sequence[RawMessage],
    understood: Sequence[Sequence[Reading]],
    odd: Mapping[int, Routed],
    flagged: Iterable[Reading],
) -> None:
    """Keep the last message of each topic, its readings with the flags that the checks gave them."""
    last = {raw.topic: index for index, raw in enumerate(raws)}
    marked = {(one.series, one.taken_utc): one for one in flagged if one.flags}
    for topic, index in last.items():
        readings = tuple([marked.get((one.series, one.taken_utc), one) for one in understood[index]])
        heard.pop(topic, None)  # the last of them stands at the end
        heard[topic] = raws[index], replace(odd.get(index) or Routed(), readings=readings)
    held = sum(len(raw.payload) for raw, _ in heard.values())
    for topic in list(heard):  # a flood of topics, or of long messages, must not fill memory
        if len(heard) <= HEARD and held <= _HEARD_BYTES:
            break
        held -= len(heard.pop(topic)[0].payload)


def enter_event(shop: Shop, one: Routed, *, confirmed_by: str | None = None, preview: bool = False) -> None:
    """Enter the event of a message, or the weather; why an event can't be is noted on what was sorted.

    It is committed before the message leaves the listener's hands, and known again if it comes once more.
    A preview only notes what speaks against the event.
    """
    if one.weather is not None and not preview:
        weather_ahead.keep(shop, one.weather)
    if one.event is None:
        return
    try:
        event_checks.enter_sent(shop, one.event, confirmed_by=confirmed_by, preview=preview)
    except StoreError:
        raise
    except Unlikely as err:
        one.reason, one.cause = str(err), Cause.UNLIKELY
    except BaulkError as err:
        one.reason, one.cause = str(err), Cause.IMPOSSIBLE
    except Exception as err:
        log.exception("an event of %s could not be entered", printable(one.event.tag))
        one.reason = f"Baulk itself failed on this message, please report it: {err!r}"
        one.cause = Cause.PROGRAM


def follow(shop: Shop, sensor: str, *, after: int) -> None:
    """Let a sensor's readings, stored or put into quarantine after a number, go where the register says.

    What waited before that follows with `operations.settle`.
    """
    ingest_sensors.move(shop, sensor)
    replay(shop, Which(waits_for=ingest_sensors.waits_for(sensor)), after=after)


def _newest(shop: Shop) -> int:
    """Return the number of the last message in quarantine, 0 if there is none."""
    return next((row.number for row in shop.store.quarantined(1)), 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Replayed:
    """What came of trying messages again.

    Parameters
    ----------
    stored : int
        Readings that were new, or with a preview how many would be read.
    events : int
        Events that were entered, or stood there already.
    settled : int
        Messages that are wholly understood by now, and have left quarantine.
    left : int
        Messages that stay.
    reason : str or None
        Why the first of those does.
    after : int
        The number of the last message that was looked at.
    upto : int
        The number of the last one to look at, to go on with.
    is_done : bool
        Whether all of them were.
    """

    stored: int = 0
    events: int = 0
    settled: int = 0
    left: int = 0
    reason: str | None = None
    after: int = 0
    upto: int = 0
    is_done: bool = True


def replay(  # noqa: PLR0913 - which, how far, how
    shop: Shop,
    which: Which = EVERYTHING,
    *,
    after: int = 0,
    upto: int | None = None,
    preview: bool = False,
    confirmed_by: str | None = None,
    stop: Callable[[], bool] = lambda: False,
) -> Replayed:
    """Try quarantined messages again, oldest first.

    A message that is wholly understood by now leaves quarantine; of any other what can be stored is stored,
    and it stays, with what is wrong with it now.

    Parameters
    ----------
    shop : Shop
        An open shop.
    which : Which
        Those to try: of one cause, one sender, or waiting for one tag or sensor (`sensors.waits_for`).
    after, upto : int
        Only those with a higher number than the one and none higher than the other, to go on where an earlier
        call stopped; what is put back has a higher number than any before.
    preview : bool
        Only say what would come of it.
    confirmed_by : str, optional
        Who said that unlikely events are right; without a name they stay.
    stop : callable
        Whether to leave the rest for the next time; asked after every few hundred messages.
    """
    if upto is None:
        upto = next((row.number for row in shop.store.quarantined(1, which)), 0)
    done = Replayed(after=after, upto=upto)
    tags, sensors = frozenset(shop.register.tags()), ingest_sensors.Sensors(shop)
    while rows := [row for row in _next(shop, which, done.after) if row.number <= upto]:
        tried = [(row, route(row.raw, shop, tags, sensors)) for row in rows if _may_be_understood(row)]
        done = _sum(done, rows, tried, _settle(shop, tried, preview=preview, confirmed_by=confirmed_by))
        if stop():
            return replace(done, is_done=done.after >= upto)
    return done


def _settle(
    shop: Shop,
    tried: list[tuple[QuarantineRow, Routed]],
    *,
    preview: bool,
    confirmed_by: str | None,
) -> int:
    """Store what can be, and put messages back that need something else now; return readings stored."""
    readings = [reading for _, one in tried for reading in one.readings]
    for _, one in tried:
        enter_event(shop, one, confirmed_by=confirmed_by, preview=preview)
    if preview:
        return len(readings)
    stored = shop.store.save(checks.flag(readings, shop.store))
    if done := [row.number for row, one in tried if one.reason is None]:
        shop.store.release(*done)
    still = [
        (row.number, bad)
        for row, one in tried
        if (bad := one.rejected(row.raw))
        and (not bad.waits_for or bad.waits_for != row.waits_for)
        and (bad.cause is not Cause.UNLIKELY or bad.reason != row.reason)
    ]
    if still:
        shop.store.reject_anew(still)
    return stored


def _sum(
    done: Replayed, rows: list[QuarantineRow], tried: list[tuple[QuarantineRow, Routed]], stored: int
) -> Replayed:
    settled = sum(one.reason is None for _, one in tried)
    return replace(
        done,
        stored=done.stored + stored,
        events=done.events + sum(one.event is not None and one.reason is None for _, one in tried),
        settled=done.settled + settled,
        left=done.left + len(rows) - settled,
        reason=done.reason or next((one.reason for _, one in tried if one.reason), None),
        after=rows[-1].number,
    )


def _may_be_understood(row: QuarantineRow) -> bool:
    """Whether it is a whole message as it came, not a reading that clashes with a stored one."""
    apart = row.cause in {Cause.CLASH, Cause.REFUSED} and not row.raw.topic.startswith(ingest_sensors.ASIDE)
    return row.is_whole and not apart


def _next(shop: Shop, which: Which, after: int) -> list[QuarantineRow]:
    return shop.store.quarantined(_AT_ONCE, which, after=after)
