"""What a forwarder tells of itself: a retained message at the shop's broker; what the shop keeps of it."""

from __future__ import annotations

import json
from datetime import datetime
from typing import Final

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, ValidationError

from baulk.ingest.store import Store
from baulk.ingest.wire import topics
from baulk.ingest.wire.message import RawMessage

KEY: Final = "forwarder/"
_MOST: Final = 64  # forwarders that a shop keeps the state of
_LONGEST: Final = 4000  # bytes of a state


class ForwarderMessage(BaseModel):
    """How a forwarder is, on baulk/v1/SHOP/forward/NAME/status."""

    model_config = ConfigDict(extra="ignore", frozen=True)

    name: str = Field(max_length=40)
    here: bool = Field(description="False is said by the broker in its place when the link is gone.")
    at_utc: AwareDatetime
    waiting: int = Field(ge=0, description="Messages that wait for the link.")
    refused: int = Field(default=0, ge=0, description="Messages that the shop's broker does not take.")
    oldest_utc: AwareDatetime | None = Field(
        default=None, description="Arrival of the one that waits longest."
    )
    used_mb: float = Field(ge=0)
    room_mb: float = Field(gt=0)
    days_left: float | None = Field(
        default=None, description="Until its room is full, if the link stays away."
    )
    far_broker: bool = Field(description="Whether it is connected to the broker it takes messages from.")
    clock_kept: bool | None = Field(description="Whether a time server keeps its clock; null: not known.")


def keep(store: Store, raw: RawMessage, slug: str) -> bool:
    """Keep what a forwarder says of itself; return whether the message was such a one.

    Parameters
    ----------
    store : Store
        Where it is kept.
    raw : RawMessage
        Any message under the shop's level.
    slug : str
        The shop's level.
    """
    if not topics.matches(topics.forwarder("+", slug), raw.topic):
        return False
    try:
        found = ForwarderMessage.model_validate_json(raw.payload[: _LONGEST + 1])
    except ValidationError:
        return True  # nobody's readings: nothing is lost by it
    if raw.topic == topics.forwarder(found.name, slug) and (
        store.noted(KEY + found.name) is not None or len(store.notes(KEY)) < _MOST
    ):
        store.note(KEY + found.name, found.model_dump_json().encode())
    return True


def all_of(store: Store) -> list[ForwarderMessage]:
    """Give what each forwarder said last, by name."""
    found = []
    for note in store.notes(KEY).values():
        try:
            found.append(ForwarderMessage.model_validate_json(note))
        except ValidationError:  # another version's
            continue
    return found


def written(state: ForwarderMessage) -> bytes:
    """Write a state as it is published."""
    return state.model_dump_json().encode()


def gone(state: ForwarderMessage) -> bytes:
    """Write what the broker says in the forwarder's place when it is gone."""
    return json.dumps(state.model_dump(mode="json") | {"here": False}).encode()


def begun(name: str, now_utc: datetime, room_mb: float) -> ForwarderMessage:
    """Return the state of a forwarder that has not looked at anything yet."""
    return ForwarderMessage(
        name=name, here=True, at_utc=now_utc, waiting=0, used_mb=0, room_mb=room_mb, far_broker=False,
        clock_kept=None,
    )  # fmt: skip
