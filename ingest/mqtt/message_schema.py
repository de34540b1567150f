"""What is published, the retained messages of verdicts and air plans, and the JSON schema, which ships.

It also says what an event and the weather ahead look like that others publish.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any, Final, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, TypeAdapter

from baulk.ingest import weather_ahead
from baulk.ingest.evaluation.document import Interval, Summary, Verdict
from baulk.ingest.wire import event_message

FILE: Final = "messages.schema.json"


class VerdictMessage(Verdict):
    """A timber's verdict, on baulk/v1/SHOP/timber/TAG/verdict: step, dates, and its moisture now. [%]."""

    tag: str
    made_utc: AwareDatetime
    mean_now_pct: Interval
    core_now_pct: Interval
    shell_now_pct: Interval


class NoVerdictMessage(BaseModel):
    """The same topic, while the timber could not be evaluated."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    tag: str
    made_utc: AwareDatetime


class _AirMessage(BaseModel):
    """What every air plan says. [%RH, degC]."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    place: str
    made_utc: AwareDatetime
    until_utc: AwareDatetime = Field(description="Then the message lapses; hold nothing by it afterwards.")
    low_pct: float | None = Field(description="The window of this week; null where its sides cross.")
    high_pct: float | None
    low_by: str
    high_by: str
    held_c: float | None


class PlanMessage(_AirMessage):
    """The air to hold in a place, on baulk/v1/SHOP/air/PLACE/plan, until it lapses. [%RH, degC]."""

    hold: Literal[True]
    set_pct: float
    caution: str
    caution_coded: Any


class NothingHeldMessage(_AirMessage):
    """The same topic, while no humidity is to be held: the window alone, and no set-point."""

    hold: Literal[False]


def verdict_body(tag: str, made_utc: datetime, found: Summary | None) -> dict[str, Any]:
    """Return a timber's message as plain values.

    Parameters
    ----------
    tag : str
        Which timber.
    made_utc : datetime
        When its evaluation was made.
    found : Summary or None
        The evaluation; None where there is no verdict.
    """
    head = {"tag": tag, "made_utc": made_utc.isoformat()}
    if found is None:
        return head
    now = {
        name: getattr(found, name).model_dump(mode="json")
        for name in ("mean_now_pct", "core_now_pct", "shell_now_pct")
    }
    return {**head, **found.verdict.model_dump(mode="json"), **now}


def json_schema() -> dict[str, Any]:
    """Return the JSON schema of what is published, and of what others publish, by topic."""
    adapters: dict[str, TypeAdapter[Any]] = {
        "verdict": TypeAdapter(VerdictMessage | NoVerdictMessage),
        "plan": TypeAdapter(PlanMessage | NothingHeldMessage),
    }
    ours = {name: one.json_schema(mode="serialization") for name, one in adapters.items()}
    return {**ours, "event": event_message.json_schema(), "weather": weather_ahead.json_schema()}
