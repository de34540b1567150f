"""Shop air: what to do with it, how it lies to this week's window, what each timber gains, its history."""

from __future__ import annotations

from typing import Final

import streamlit as st

from baulk.dashboard import words
from baulk.dashboard.charts import time_series
from baulk.dashboard.queries import shop_facts
from baulk.dashboard.sections import (
    address,
    air_room,
    folds,
    humidity_plan,
    layout,
    plans_back,
    table_files,
)
from baulk.models import units

LEAST_SHOWN: Final = 3  # readings; fewer are told, not drawn
LEAST_CHANGE: Final = 0.5  # in degrees or %; what changes less is told, not drawn
SPANS = {"2 days": 2.0, "2 weeks": 14.0, "a year": 365.0}


def chosen(places: tuple[str, ...]) -> str:
    """Return the place that is looked at; it stands in the address."""
    if len(places) == 1:
        return places[0]
    named = address.get("place", places[0])
    at = places.index(named) if named in places else 0
    place = str(st.selectbox("Place", places, index=at, key="air_place", label_visibility="collapsed"))
    address.set(place=place)
    return place


def now_line(now: shop_facts.AirNow | None, facts: shop_facts.ShopFacts) -> None:
    """Say how the air is."""
    if now is None:
        st.caption("Nobody has measured the air here in the last two weeks.")
        return
    st.markdown(
        f"**{units.show_temperature(now.temp_c, facts.temperature)}, {now.rh_pct:.0f} % RH** "
        f"{words.md(words.age(now.newest_utc, layout.now()))}; thin wood would settle at {now.emc_pct:.0f} % "
        "(EMC)."
    )


def history(place: str, facts: shop_facts.ShopFacts) -> None:
    """Show temperature, humidity and EMC over time."""
    span = st.segmented_control("Show", list(SPANS), default="2 weeks", key="air_span") or "2 weeks"
    series = shop_facts.air(place, SPANS[span], layout.now())
    if series.empty:
        st.caption("Nothing was measured in that time.")
        return
    dates = "%b %Y" if span == "a year" else "%d %b"
    fahrenheit = facts.temperature == "F"
    if fahrenheit:
        series = series.assign(temp_c=series["temp_c"] * 9 / 5 + 32)
    for column, name, unit, colour in (
        ("temp_c", "Temperature", "°F" if fahrenheit else "°C", time_series.EARTH),
        ("rh_pct", "Humidity", "%", time_series.DEEP),
        ("emc_pct", "EMC", "%", "#4d5912"),
    ):
        low, high = series[column].min(), series[column].max()
        if len(series) < LEAST_SHOWN or high - low < LEAST_CHANGE:  # a line would show nothing
            st.markdown(f"{name} over {span}: {series[column].mean():.0f} {unit} all along.")
            continue
        finding = (
            f"{name} over {span}: {low:.0f} to {high:.0f} {unit}, {series[column].mean():.0f} {unit} on "
            "average."
        )
        st.markdown(finding)
        st.altair_chart(
            time_series.air(series, column, f"{name}, {unit}", colour, dates),
            width="stretch",
            key=f"air-{column}",
            alt=finding,
        )
    st.caption(words.TERMS["EMC"] + " Computed for each reading, then averaged.")
    table_files.offer_table(
        f"{place}-air", lambda: shop_facts.air(place, SPANS[span], layout.now()), key="air"
    )


def connect() -> None:
    """Say how air comes in, and take it by hand."""
    st.info(
        "No air has been measured yet. Type it here, or add a temperature and humidity sensor on Sensors; "
        f"one that sends what you tell it to needs only the topic `{shop_facts.air_topic()}`."
    )
    st.html('<p class="b-links"><a href="/sensors" target="_self">Sensors</a></p>')
    with layout.errors_as_sentences():
        air_room.by_hand([], None, shop_facts.facts())


def page() -> None:
    """Show the air of one place."""
    layout.title("Shop air")
    noted = layout.before(lambda: str(shop_facts.places()))
    facts, places = shop_facts.facts(), shop_facts.places()
    if not places:
        connect()
        layout.watch("air", noted)
        return
    place = chosen(places)

    @st.fragment(run_every=60.0)
    def live() -> None:
        with layout.errors_as_sentences():
            now_line(shop_facts.air_now(place, layout.now()), facts)

    nothing = shop_facts.no_air(place)
    if nothing:
        st.info("Nobody has measured the air here yet: type it below, or add a sensor on Sensors.")
    else:
        with layout.errors_as_sentences():
            made = humidity_plan.answer(place, shop_facts.air_now(place, layout.now()), facts)
            live()
            if made is not None:
                humidity_plan.rest(place, made, shop_facts.air(place, 14, layout.now()), facts)
    with layout.errors_as_sentences():  # these answer although no air was measured of late
        folds.fold("earlier-plans", "How earlier plans came out", lambda: plans_back.earlier(place, facts))
        with st.expander("Room and costs", key="air-room"):
            air_room.form(place, facts, lambda: humidity_plan.work_out(place))
        with (
            st.expander(
                "What if another humidity were held", key=humidity_plan.TRY, on_change=humidity_plan.foreseen
            ),
            layout.errors_as_sentences(),
        ):
            humidity_plan.what_if(place, facts)
        with st.expander("Type the air by hand", expanded=nothing, key="air-hand"):
            air_room.by_hand(list(places), place, facts)
        if not nothing:
            with st.expander("History", key="air-history"):
                history(place, facts)
    layout.watch("air", noted)


page()
