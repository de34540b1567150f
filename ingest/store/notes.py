"""Notes in the store: a timber's fit, swapped tags, what the shop was asked once, sessions at the broker."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from baulk.ingest.store import Store
from baulk.models.errors import OutOfRange
from baulk.models.reason import Reason

SWAPS: Final = "swapped tags"
SESSION: Final = "session/"
FOLLOWING: Final = "following/"
MOST_GONE: Final = 5  # losses of a session that are remembered
HAND_METER: Final = "hand meter"
LEAST_TOP_PCT: Final = 15.0  # no scale of a meter for wood ends below or beyond: our own judgement, no source
MOST_TOP_PCT: Final = 120.0
LONGEST: Final = 40  # characters of a make or number


@dataclass(frozen=True, slots=True, kw_only=True)
class Swapped:
    """Two timbers that seem to bear each other's tags.

    Parameters
    ----------
    tags : tuple of (str, str)
        Which.
    reason : Reason
        Which, and since when.
    found_utc : datetime
        When it was seen first.
    """

    tags: tuple[str, str]
    reason: Reason
    found_utc: datetime


def followed(store: Store, sensor: str, events: Sequence[int]) -> tuple[int, int] | None:
    """Give how far what waited for a sensor has followed these events: the last message looked at, and to be.

    None where it has not begun, or an event came since.
    """
    try:
        found = json.loads(store.noted(FOLLOWING + sensor) or b"{}")
        return (int(found["after"]), int(found["upto"])) if found["events"] == list(events) else None
    except (KeyError, TypeError, ValueError):
        return None


def keep_followed(store: Store, sensor: str, events: Sequence[int], after: int, upto: int) -> None:
    """Keep how far it has come."""
    body = {"events": list(events), "after": after, "upto": upto}
    store.note(FOLLOWING + sensor, json.dumps(body).encode())


def fit_key(tag: str) -> str:
    """Name the note that holds the last fit of a timber."""
    return f"fit/{tag}"


def swaps(store: Store) -> tuple[Swapped, ...]:
    """Give the pairs that were found last."""
    try:
        return tuple(_read(row) for row in json.loads(store.noted(SWAPS) or b"[]"))
    except (KeyError, TypeError, ValueError):  # another version's: the next look writes it anew
        return ()


def keep_swaps(store: Store, found: Iterable[Swapped]) -> None:
    """Keep the pairs that were found, in place of those before."""
    rows = [
        {"tags": each.tags, "reason": each.reason.to_json(), "found_utc": each.found_utc.isoformat()}
        for each in found
    ]
    store.note(SWAPS, json.dumps(rows).encode())


def swap_reason(store: Store, tag: str, now_utc: datetime) -> Reason | None:
    """Return what was known at a moment of a timber that seems to bear another's tag.

    Parameters
    ----------
    store : Store
        Where it is kept.
    tag : str
        Which timber.
    now_utc : datetime
        Now, or an earlier day.

    Returns
    -------
    Reason or None
        None where nothing speaks for it.
    """
    for each in swaps(store):
        if tag in each.tags and each.found_utc <= now_utc:
            return each.reason
    return None


@dataclass(frozen=True, slots=True, kw_only=True)
class HandMeter:
    """What the shop has on record of the meter behind readings by hand.

    Parameters
    ----------
    corrects_temperature : bool or None
        Whether it corrects for the wood's temperature by itself; None where nobody in the shop knows.
    answered_utc : datetime
        When it was written down.
    make, number : str
        What stands on it.
    scale : str
        The wood that it is set to for every timber; empty where it is set to each timber's own.
    top_pct : float or None
        Where its scale ends, so that it shows OL or the like beyond. [%]
    asked : bool
        Whether anybody was asked for `corrects_temperature` yet.
    """

    corrects_temperature: bool | None
    answered_utc: datetime
    make: str = ""
    number: str = ""
    scale: str = ""
    top_pct: float | None = None
    asked: bool = True

    def __post_init__(self) -> None:
        if self.top_pct is not None and not LEAST_TOP_PCT <= self.top_pct <= MOST_TOP_PCT:
            raise OutOfRange(
                "the end of the meter's scale",
                f"lies between {LEAST_TOP_PCT:g} and {MOST_TOP_PCT:g} %, not {self.top_pct:g}",
            )
        if max(len(self.make), len(self.number)) > LONGEST:
            raise OutOfRange("make and number of a meter", f"have at most {LONGEST} characters each")

    @property
    def named(self) -> bool:
        """Whether more is on record than the answer about temperature."""
        return bool(self.make or self.number or self.scale or self.top_pct is not None)

    @property
    def reason(self) -> Reason:
        """What is on record, as code and values."""
        return Reason(
            code="meter.record",
            values={
                "make": self.make,
                "number": self.number,
                "species": self.scale,
                "top_pct": self.top_pct,
            },
        )


def hand_meter(store: Store) -> HandMeter | None:
    """Return what the shop answered about its meter; None if it was not asked yet."""
    try:
        row = json.loads(store.noted(HAND_METER) or b"null")
        if row is None or row["corrects_temperature"] not in {True, False, None}:
            return None
        return HandMeter(
            corrects_temperature=row["corrects_temperature"],
            answered_utc=datetime.fromisoformat(row["answered_utc"]),
            make=str(row.get("make", "")),
            number=str(row.get("number", "")),
            scale=str(row.get("scale", "")),
            top_pct=None if row.get("top_pct") is None else float(row["top_pct"]),
            asked=row.get("asked") is not False,
        )
    except (KeyError, TypeError, ValueError, AttributeError):  # damaged: it is asked again
        return None


def keep_hand_meter(store: Store, answer: HandMeter) -> None:
    """Keep what the shop answered about its meter, in place of an earlier answer."""
    row = {
        "corrects_temperature": answer.corrects_temperature,
        "answered_utc": answer.answered_utc.isoformat(),
        "make": answer.make,
        "number": answer.number,
        "scale": answer.scale,
        "top_pct": answer.top_pct,
        "asked": answer.asked,
    }
    store.note(HAND_METER, json.dumps(row).encode())


def _read(row: dict[str, Any]) -> Swapped:
    one, two = row["tags"]
    return Swapped(
        tags=(str(one), str(two)),
        reason=Reason.from_json(row["reason"]),
        found_utc=datetime.fromisoformat(row["found_utc"]),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptSession:
    """What a listener notes of its session at the broker.

    Parameters
    ----------
    broker : str
        Host and port.
    seen_utc : datetime
        When it was last known to be connected.
    gone : tuple of (datetime, datetime)
        Times at whose end the broker no longer knew the session, and when it was connected before.
    trusted_until_utc : datetime or None
        When the broker's certificate ends.
    heard : bool
        Whether a message has come by this session; older versions did not note it.
    """

    broker: str
    seen_utc: datetime
    gone: tuple[tuple[datetime, datetime], ...] = ()
    trusted_until_utc: datetime | None = None
    heard: bool = True


def sessions(store: Store) -> dict[str, KeptSession]:
    """Give what each listener noted of its session, by its client id."""
    found: dict[str, KeptSession] = {}
    for key, note in store.notes(SESSION).items():
        try:
            body = json.loads(note)
            until = body["trusted_until_utc"]
            found[key.removeprefix(SESSION)] = KeptSession(
                broker=str(body["broker"]),
                seen_utc=datetime.fromisoformat(body["seen_utc"]),
                gone=tuple(
                    (datetime.fromisoformat(start), datetime.fromisoformat(end))
                    for start, end in body["gone"]
                ),
                trusted_until_utc=datetime.fromisoformat(until) if until else None,
                heard=bool(body.get("heard", True)),
            )
        except (KeyError, TypeError, ValueError):  # another version's: the listener writes it anew
            continue
    return found


def keep_session(store: Store, name: str, kept: KeptSession) -> None:
    """Keep what a listener knows of its session."""
    body = {
        "broker": kept.broker,
        "seen_utc": kept.seen_utc.isoformat(),
        "gone": [[start.isoformat(), end.isoformat()] for start, end in kept.gone],
        "trusted_until_utc": kept.trusted_until_utc.isoformat() if kept.trusted_until_utc else None,
        "heard": kept.heard,
    }
    store.note(SESSION + name, json.dumps(body).encode())
