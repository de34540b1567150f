"""The plan of a room's air on its page: what is asked, the window by week, and what it comes to."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import datetime

import streamlit as st

from baulk.dashboard import words
from baulk.dashboard.charts import humidity as charts_humidity
from baulk.dashboard.queries.shop_facts import ShopFacts
from baulk.dashboard.sections import downloads, layout
from baulk.dashboard.server.shop_access import ask, folder
from baulk.ingest.planning import humidity
from baulk.ingest.planning.humidity import Asked
from baulk.models import text, units
from baulk.models.errors import BaulkError, OutOfRange
from baulk.models.plan.humidity.plan import AirPlan
from baulk.models.plan.humidity.summary import closed, summary
from baulk.models.timber import Place
from baulk.models.units import System, TemperatureUnit

M3_FT3 = 0.3048**3
SHOWN_WEEKS = (0, 1, 2, 4, 8, 13, 26, 39, 52, 78, 104)


def volume_m3(text: str, system: System) -> float | None:
    """Read a volume: "300 m3", "10000 cu ft", or a bare number in the shop's own unit; nothing for nothing.

    Parameters
    ----------
    text : str
        As typed.
    system : "inch" or "metric"
        Cubic feet or cubic metres for a bare number.

    Returns
    -------
    float or None
        The volume. [m3]

    Raises
    ------
    OutOfRange
        If it is not a volume.
    """
    plain = text.strip().lower().replace("³", "3").replace(",", "")
    if not plain:
        return None
    found = re.fullmatch(r"(\d+\.?\d*)\s*(m3|m\^3|cu ?m|ft3|ft\^3|cu ?ft|cubic feet|cubic metres)?", plain)
    if found is None:
        raise OutOfRange("the room's volume", f"looks like '300 m3' or '10000 cu ft', not {text!r}")
    unit = found[2] or ("ft3" if system == "inch" else "m3")
    return float(found[1]) * (M3_FT3 if "f" in unit else 1.0)


def number(text: str, what: str) -> float | None:
    """Read a number that may be left out.

    Parameters
    ----------
    text : str
        As typed.
    what : str
        What it is, for the sentence of a refusal.

    Returns
    -------
    float or None
        The number; nothing for nothing.

    Raises
    ------
    OutOfRange
        If it is not a number.
    """
    plain = text.strip().removesuffix("%").strip()
    try:
        return float(plain) if plain else None
    except ValueError as err:
        raise OutOfRange(what, f"is a number, not {text!r}") from err


def section(place: str, facts: ShopFacts) -> None:
    """Show the form, and the plan once it was asked for.

    Parameters
    ----------
    place : str
        The room.
    facts : ShopFacts
        Units to show.
    """
    st.header("Plan its humidity", anchor=False)
    known = ask(lambda s: next((each for each in s.register.places() if each.name == place), None))
    tags = ask(lambda s: tuple(each.tag for each in s.register.list() if each.place == place))
    if not tags:
        st.info("No timber lies here, so there is nothing to plan for.")
        return
    asked = _form(place, known, tags, facts)
    if asked is not None:
        st.session_state[f"air-plan-{place}"] = asked
    asked = st.session_state.get(f"air-plan-{place}")
    if asked is None:
        return
    made = _worked_out(str(folder()), asked, f"{layout.now():%Y-%m-%d}")
    _show(made, facts.temperature)


def _form(place: str, known: Place | None, tags: Sequence[str], facts: ShopFacts) -> Asked | None:
    """Ask; return what was asked when it was sent and understood."""
    inch = facts.system == "inch"
    volume = known.volume_m3 if known is not None else None
    rate = known.air_changes_per_h if known is not None else None
    shown = "" if volume is None else f"{volume / M3_FT3:.0f} cu ft" if inch else f"{volume:.0f} m3"
    like = "60F" if facts.temperature == "F" else "16C"
    with st.form(f"air-plan-form-{place}"):
        st.caption("Everything may be left empty; the plan says what it then does not know.")
        first, second, third = st.columns(3)
        warm = first.text_input("Temperature held", key="plan_temp", placeholder=f"as the season; or {like}")
        try_rh = second.text_input("What if: hold % RH", key="plan_hold", placeholder="search the best")
        band = third.text_input("Glued work tolerates, % MC", key="plan_band", placeholder="8, 12")
        size = first.text_input(
            "Air in the room", shown, key="plan_volume", placeholder="10000 cu ft" if inch else "300 m3"
        )
        often = second.text_input(
            "Air changes an hour",
            "" if rate is None else f"{rate:g}",
            key="plan_changes",
            placeholder="learned if it can be",
        )
        price = third.text_input("Price of a kWh", key="plan_price", placeholder="0.25")
        people = first.text_input("Hours of work a day", key="plan_people", placeholder="0")
        pieces = second.multiselect(
            "To be square soonest", tags, key="plan_pieces", placeholder="all that wait"
        )
        leaving = third.checkbox("Squared pieces leave the room", key="plan_leaving")
        keep = third.checkbox("Save volume and air changes", key="plan_keep")
        if not st.form_submit_button("Plan this room", type="primary", width="stretch"):
            return None
    try:
        asked = Asked(
            place=place,
            pieces=tuple(pieces),
            hold_rh=number(try_rh, "the humidity to hold"),
            held_c=units.temperature_c(warm, bare=facts.temperature) if warm.strip() else None,
            finished_pct=_band(band),
            volume_m3=volume_m3(size, facts.system),
            air_changes_per_h=number(often, "the air changes"),
            people_h_day=number(people, "the hours of work") or 0.0,
            price_kwh=number(price, "the price"),
            leaving=leaving,
        )
        if keep:
            ask(
                lambda s: humidity.save_place(
                    s, place, volume_m3=asked.volume_m3, air_changes_per_h=asked.air_changes_per_h
                )
            )
    except BaulkError as err:
        st.error(layout.sentence(err))
        return None
    return asked


def _band(text: str) -> tuple[float, float] | None:
    if not text.strip():
        return None
    parts = re.split(r"\s*(?:,|to|-)\s*", text.strip().removesuffix("%").strip())
    if len(parts) != 2:
        raise OutOfRange("the band of glued work", f"looks like '8, 12', not {text!r}")
    low, high = (number(each, "a moisture content") or 0.0 for each in parts)
    return low, high


@st.cache_data(ttl=6 * 3600, max_entries=40, show_spinner="Working out the plan ...")
def _worked_out(shop_folder: str, asked: Asked, day: str) -> AirPlan:  # noqa: ARG001 - part of the key
    """Plan; the shop serves other pages meanwhile. The same wish on the same day is answered from memory."""
    gathered = ask(lambda s: humidity.gather(s, asked, layout.now()))
    return gathered.plan()


def _show(made: AirPlan, temperature: TemperatureUnit) -> None:
    week, year = made.weeks[0], made.weeks[:52]
    entries = [
        (
            "Hold this week" if not made.what_if else "What if",
            f"{made.set_pct:.0f} % RH",
            "" if made.held_c is None else f"at {units.show_temperature(made.held_c, temperature)}",
        ),
        ("Window", f"{week.low_pct:.0f} to {week.high_pct:.0f} %", f"{week.low_by} to {week.high_by}")
        if week.low_pct <= week.high_pct
        else ("Window", "none", f"{week.low_by} against {week.high_by}"),
    ]
    if made.gains:
        dated = [each.date_gain_weeks for each in made.gains if each.date_gain_weeks is not None]
        gained = dated or [each.gained_weeks.median for each in made.gains]
        what = "mean of the dates" if dated else "mean of the chosen timbers"
        entries.append(("Against doing nothing", _weeks(sum(gained) / len(gained)), what))
    if week.need_l_day is not None:
        now = "to take out" if week.need_l_day >= 0 else "to add"
        entries.append(("Water", f"{abs(week.need_l_day):.1f} l/day", f"{now} this week"))
    else:
        mean_l = sum(each.timbers_l_day for each in year) / len(year)
        entries.append(
            (
                "Water",
                f"{mean_l:.2f} l/day",
                "from the timbers alone; the room's volume or air changes are not known",
            )
        )
    costs = [each.cost for each in made.machines if each.cost is not None]
    if costs:
        entries.append(("A year's electricity", f"{sum(costs):.0f}", "at the price given"))
    layout.figures(entries)
    st.altair_chart(
        charts_humidity.window(made),
        width="stretch",
        key="air-plan-chart",
        alt="Relative humidity to hold by week, the limits it keeps to, and what comes if nothing is done",
    )
    reader = units.temperature_system(temperature)
    shut = closed(made)
    if shut is not None:
        opening = [each.words for each in made.remedies if each.weeks_open]
        st.warning(words.md(" ".join(text.sentences([shut, *opening], reader, zone=words.zone()))))
    st.markdown("\n\n".join(words.mds(text.sentences(summary(made), reader, zone=words.zone()))))
    _table(made, temperature)
    downloads.offer_plan(made)
    with st.expander("Assumptions, and what would change the plan"):
        said = text.sentences((*made.assumptions, *made.changes), reader, zone=words.zone())
        st.markdown("\n".join(f"* {each}" for each in words.mds(said)))


def _table(made: AirPlan, temperature: TemperatureUnit) -> None:
    rows = [
        (
            _day(each.starts_utc),
            units.show_temperature(each.temp_c, temperature),
            f"{each.set_pct:.0f} %",
            f"{each.low_pct:.0f} to {each.high_pct:.0f} %" if each.low_pct <= each.high_pct else "none",
            f"{each.expected_pct:.0f} %",
            "-" if each.need_l_day is None else f"{each.need_l_day:+.1f}",
        )
        for i, each in enumerate(made.weeks)
        if i in SHOWN_WEEKS
    ]
    with st.expander("Week by week"):
        layout.cards(("week from", "air", "hold", "window", "if nothing is done", "litres a day out"), rows)
        downloads.offer_table(f"{made.place}-plan", lambda: downloads.rows(made.weeks), key="air-plan")


def _weeks(number: float) -> str:
    whole = round(abs(number))
    if not whole:
        return "no change"
    return f"{whole} week{'s' if whole > 1 else ''} {'sooner' if number > 0 else 'later'}"


def _day(moment: datetime) -> str:
    return f"{moment.day} {moment:%b %Y}"
