"""Each sensor as one row: last word, battery, signal, clock, what was refused, whether it drifts."""

from __future__ import annotations

from typing import Final

import streamlit as st

from baulk.dashboard import words
from baulk.dashboard.queries import health_data, shop_facts
from baulk.dashboard.sections import layout
from baulk.ingest.monitoring.health import Health, clock_reason
from baulk.ingest.monitoring.sensor_rows import SensorRow
from baulk.models import text
from baulk.models.text.common import span

SHOWN: Final = 40
_NOTHING: Final = "·"


def part(seen: Health, facts: shop_facts.ShopFacts) -> None:
    """Show a row for each sensor, the longest silent first."""
    found = health_data.sensor_rows(seen, layout.now())
    if not found:
        return
    st.header("Sensors", anchor=False)
    heads = ("Sensor", "On", "Last word", "Usually every", "Battery", "Signal", "Clock", "Refused", "Drift")
    layout.cards(heads, [cells(one, facts) for one in found[:SHOWN]], tight=True)
    if len(found) > SHOWN:
        st.caption(f"The {SHOWN} silent for longest of {len(found)}.")


def cells(one: SensorRow, facts: shop_facts.ShopFacts) -> tuple[str, ...]:
    """Return a sensor's cells as text."""
    now = layout.now()
    last = words.age(one.last_utc, now)
    if one.presence is not None and one.presence.away:
        last += f", away since {words.clock(one.presence.since_utc)}"
    clock, zone = one.clock, words.zone()
    return (
        one.about.partition("/")[2],
        one.on.partition("/")[2],
        last,
        span(one.usual_s) if one.usual_s else _NOTHING,
        battery(one),
        f"{one.signal_dbm:.0f} dBm" if one.signal_dbm is not None else _NOTHING,
        text.sentence(clock_reason(clock), facts.system, zone=zone) if clock is not None else _NOTHING,
        f"{one.refused} ({100 * one.refused_share:.0f} %): {one.refused_why}"
        if one.refused_share
        else _NOTHING,
        "; ".join(text.sentence(each, facts.system, zone=zone) for each in one.drifts) or _NOTHING,
    )


def battery(one: SensorRow) -> str:
    """Return what is known of a battery, with the week in which it will be empty."""
    level = [f"{one.battery_pct:.0f} %"] if one.battery_pct is not None else []
    level += [f"{one.battery_v:.2f} V"] if one.battery_v is not None else []
    if one.runs is not None:
        level.append(f"empty in the week of {words.day(one.runs.week_utc)}")
    return ", ".join(level) or _NOTHING
