"""What a room's plan answers for the coming week: notes of the store, between who plans and who publishes.

The plan itself is large, and reading it loads the models; the listener needs but the week's humidities.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any, Final

from baulk.ingest.store import Store

_ANSWER: Final = "air-answer/"
_SENT: Final = "air-answers-sent"


@dataclass(frozen=True, slots=True, kw_only=True)
class AirAnswer:
    """What is to be done with a room's air for a week.

    Parameters
    ----------
    place : str
        The room.
    made_utc : datetime
        When it was planned.
    set_pct : float or None
        Humidity to hold; None where nothing is to be held. [%RH]
    low_pct, high_pct : float or None
        The window of that week; None where its sides cross, so that there is none. [%RH]
    low_by, high_by : str
        What sets each side.
    held_c : float or None
        Temperature held; None for the season's. [degC]
    """

    place: str
    made_utc: datetime
    set_pct: float | None
    low_pct: float | None
    high_pct: float | None
    low_by: str
    high_by: str
    held_c: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Sent:
    """A room's answer that Baulk has put on the broker.

    Parameters
    ----------
    made_utc, until_utc : datetime
        When it was planned, and when it lapses.
    by_hand : bool
        Whether a person sent it, by a command; it stands until it lapses.
    """

    made_utc: datetime
    until_utc: datetime
    by_hand: bool = False


def keep(store: Store, place: str, answer: AirAnswer | None) -> None:
    """Keep a room's answer in place of the one before; None where there is none."""
    if answer is None:
        store.forget(_ANSWER + place)
        return
    body = asdict(answer) | {"made_utc": answer.made_utc.isoformat()}
    store.note(_ANSWER + place, json.dumps(body).encode())


def all_of(store: Store) -> dict[str, AirAnswer]:
    """Give the answers by place; what another version wrote is passed over."""
    found = {}
    for key, note in store.notes(_ANSWER).items():
        try:
            body: dict[str, Any] = json.loads(note)
            body["made_utc"] = datetime.fromisoformat(body["made_utc"])
            found[key.removeprefix(_ANSWER)] = AirAnswer(**body)
        except (KeyError, TypeError, ValueError):
            continue
    return found


def sent(store: Store) -> dict[str, Sent]:
    """Give what stands at the broker, as far as we know, by place."""
    found = {}
    try:
        rows: Iterable[list[Any]] = json.loads(store.noted(_SENT) or b"[]")
        for place, made, until, by_hand in rows:
            found[str(place)] = Sent(
                made_utc=datetime.fromisoformat(made),
                until_utc=datetime.fromisoformat(until),
                by_hand=by_hand is True,
            )
    except (TypeError, ValueError):
        return {}
    return found


def keep_sent(store: Store, standing: Mapping[str, Sent]) -> None:
    """Keep what stands at the broker, so that it can always be taken away again."""
    rows = [
        [place, one.made_utc.isoformat(), one.until_utc.isoformat(), one.by_hand]
        for place, one in sorted(standing.items())
    ]
    store.note(_SENT, json.dumps(rows).encode())
