"""Sensors: what needs a hand first, the well ones in a line, messages not understood."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

import pandas as pd
import streamlit as st

from baulk.dashboard import sensor_cells, words
from baulk.dashboard.queries import health_data, shop_facts
from baulk.dashboard.sections import (
    layout,
    pairing,
    quarantine,
    sensor_replace,
    sensor_rows,
    table_files,
)
from baulk.ingest.device_clock import Learned
from baulk.ingest.monitoring.finding import Finding, Trouble
from baulk.ingest.monitoring.health import Health, SeriesHealth, clock_reason
from baulk.models import formatting, text
from baulk.models.calibrate.yard_lessons import Lesson
from baulk.models.reason import Reason
from baulk.models.text import events as event_text
from baulk.models.text import series as series_text
from baulk.models.text.common import span

SHAPES = {
    Trouble.SILENT: "○",
    Trouble.BATTERY: "◔",
    Trouble.CLOCK: "◷",
    Trouble.STUCK: "―",
    Trouble.QUARANTINE: "✉",
    Trouble.SESSION: "⚡",
    Trouble.CERTIFICATE: "◴",
    Trouble.BEHIND: "◌",
    Trouble.STOPPED: "◌",
    Trouble.DISK: "▤",
    Trouble.BACKUP: "▤",
    Trouble.FILES: "▤",
    Trouble.FORWARDER: "⚡",
}
DRIFT = "∿"
SHOWN = 25
WORST = (
    Trouble.DISK, Trouble.FILES, Trouble.SESSION, Trouble.FORWARDER, Trouble.CERTIFICATE, Trouble.STOPPED,
    Trouble.BACKUP, Trouble.BEHIND, Trouble.CLOCK, Trouble.STUCK, Trouble.SILENT, Trouble.BATTERY,
    Trouble.QUARANTINE,
)  # fmt: skip
MOST = 40  # rows of sensors at once


def findings(found: tuple[Finding, ...], drifts: Mapping[str, Reason], facts: shop_facts.ShopFacts) -> None:
    """List what to see to, the worst first, each with its shape, its word and a sentence; drifts last."""
    worst = sorted(found, key=lambda one: WORST.index(one.kind))
    told = [(SHAPES[each.kind], each.kind.value, each.reason) for each in worst]
    told += [(DRIFT, "drift", reason) for reason in drifts.values()]
    rows = "".join(
        f'<li><span class="b-shape">{shape}</span><b>{words.esc(kind)}</b>: '
        f"{words.esc(layout.capital(text.sentence(reason, facts.system, zone=words.zone())))}</li>"
        for shape, kind, reason in told
    )
    if rows:
        st.html(f'<ul class="b-findings">{rows}</ul>')


def well(look: Health, drifts: Mapping[str, Reason]) -> str:
    """Say in one line how many sensors report as they should."""
    ill = {each.about for each in look.findings} | drifts.keys()
    fit = sum(str(each.latest.series) not in ill and _device(each) not in ill for each in look.series)
    if fit == len(look.series):
        newest = max(each.latest.taken_utc for each in look.series)
        age = words.age(newest, layout.now())
        which = "The one series reports as it" if fit == 1 else f"All {fit} series report as they"
        return f"{which} should; the newest reading is {age}."
    which = "Only 1" if fit == 1 else f"The other {fit}"
    report = "reports as it" if fit == 1 else "report as they"
    return f"{which} of {len(look.series)} series {report} should."


def sensors(look: Health, facts: shop_facts.ShopFacts) -> None:
    """Show each sensor's series by its last word."""
    seen, clocks = look.series, _clocks(look)
    now, shown = layout.now(), seen
    if len(seen) > MOST:
        held = st.text_input("Tag or place contains", key="health_on", placeholder="for instance 12").strip()
        shown = tuple(each for each in seen if held.lower() in each.latest.series.name.lower())
    rows = [
        (
            each.latest.series.name,
            series_text.called(str(each.latest.series), facts.system),
            event_text.value(each.latest, facts.system, facts.temperature),
            words.age(each.latest.taken_utc, now),
            span(each.usual.total_seconds()) if each.usual else words.NOTHING,
            span(each.longest_gap.total_seconds()) if each.longest_gap else words.NOTHING,
            _clock(clocks.get(_device(each)), facts),
        )
        for each in shown[:MOST]
    ]
    heads = ("On", "Quantity", "Last value", "Last reading", "Usually every", "Longest gap", "Clock")
    layout.cards(heads, rows, tight=True)
    table_files.offer_table("sensors", lambda: table(look), key="sensors")
    if len(shown) > MOST:
        st.caption(f"The {MOST} silent for longest of {len(shown)}; name a tag above to see its own.")
    st.caption(
        "Usual interval and longest gap: over the last 14 days, or 120 days for what is read rarely. Clock: "
        "how much later its soonest messages came than the time that they name."
    )


def _clocks(look: Health) -> dict[str, Learned]:
    return {one.about: one for one in reversed(look.clocks)}  # the most wrong one of several counts


def _device(each: SeriesHealth) -> str:
    return f"{each.latest.series.owner.value}/{each.latest.series.name}"


def _clock(one: Learned | None, facts: shop_facts.ShopFacts) -> str:
    """Return what was learned of a device's clock in a few words."""
    if one is None:
        return words.NOTHING
    if one.is_wrong:
        way = "behind" if one.behind_s > 0 else "ahead"
        done = ", put right" if one.is_corrected else ""
        return f"{formatting.hours_minutes(one.behind_s)} {way} since {words.day(one.since_utc)}{done}"
    return text.sentence(clock_reason(one), facts.system, zone=words.zone())


def table(look: Health) -> pd.DataFrame:
    """Return the sensors as a table to take away."""
    seen, clocks = look.series, _clocks(look)
    return pd.DataFrame(
        [
            {
                "series": str(each.latest.series),
                "value": each.latest.value,
                "unit": each.latest.unit,
                "taken": each.latest.taken_utc,
                "arrived": each.latest.arrived_utc,
                "usual_interval_s": each.usual.total_seconds() if each.usual else None,
                "longest_gap_s": each.longest_gap.total_seconds() if each.longest_gap else None,
                "clock_behind_s": clock.behind_s if (clock := clocks.get(_device(each))) else None,
                "clock_drift_s_day": clock.drift_s_day if clock else None,
                "flags": " ".join(each.latest.flags),
            }
            for each in seen
        ]
    )


def heard(facts: shop_facts.ShopFacts) -> None:
    """Show the last message of each topic and how it was understood."""
    found = health_data.heard()
    if not found:
        return
    with st.expander(f"How the last message of each topic was understood ({len(found)})", key="heard"):
        now = layout.now()
        rows = [
            (
                formatting.in_brief(each.topic),
                words.age(health_data.moment(each.arrived_utc), now),
                each.payload,
                "; ".join(sensor_cells.understood(each, facts.system, facts.temperature, words.zone()))
                or "nothing in it",
            )
            for each in found[:SHOWN]
        ]
        layout.cards(("Topic", "Heard", "It said", "Understood as"), rows)


def learned() -> None:
    """Show what the timbers of the yard have taught each other."""
    known = health_data.learned()
    if known is None or not known[1]:
        return
    made_utc, found = known
    with st.expander(f"What the yard has learned ({len(found)})", key="learned"):
        _learned(made_utc, found)


def _learned(made_utc: datetime, found: tuple[Lesson, ...]) -> None:
    rows = [(text.sentence(each.reason, "metric", zone=words.zone()), each.backing) for each in found]
    layout.cards(("What", "From"), rows)
    st.caption(
        f"Computed on {words.clock(made_utc)}, retired timbers included; each forecast of that day uses it "
        "beside the timber's own readings. from_yard in [learning] of baulk.toml switches it off."
    )


def page() -> None:
    """Show what needs a hand first, then the well ones in a line, and messages."""
    facts = shop_facts.facts()
    layout.title("Sensors")
    noted = layout.before(health_data.mark)
    with st.spinner("Looking at every sensor..."):
        seen = health_data.look(shop_facts.revision(), layout.now().replace(second=0, microsecond=0))
    layout.watch("health", noted)
    drifts = health_data.drifting()
    findings(seen.findings, drifts, facts)
    if seen.series:
        st.markdown(words.md(well(seen, drifts)))
    pairing.part(facts)
    if seen.series:
        with st.expander(f"Every sensor by its last reading ({len(seen.series)})", key="every-sensor"):
            sensor_rows.part(seen, facts)
            sensors(seen, facts)
            sensor_replace.part()
    else:
        st.info(
            f"No sensor has spoken yet. Let it send to the broker on {health_data.broker()} and press Add a "
            f"sensor; one that sends what you tell it to needs only the topic {shop_facts.air_topic()} for "
            "air, or the same with timber/TAG. The listener must be running where Baulk is installed "
            "(`baulk serve`)."
        )
    quarantine.part(facts)
    heard(facts)
    learned()
    st.page_link("views/files.py", label="Import, export, back up")


page()
