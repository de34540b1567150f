"""Shop air: what it is, what it was, and which humidity suits the green and the finished."""

from __future__ import annotations

import streamlit as st

from baulk.dashboard import words
from baulk.dashboard.charts import time_series
from baulk.dashboard.queries import shop_facts
from baulk.dashboard.sections import downloads, humidity_plan, layout
from baulk.models import schedules, units

SPANS = {"2 days": 2.0, "2 weeks": 14.0, "a year": 365.0}


def advice(plan: shop_facts.AirPlan, facts: shop_facts.ShopFacts) -> list[str]:
    """Return in sentences which humidity suits what."""
    temp = units.show_temperature(plan.temp_c, facts.temperature)
    said = []
    if plan.greenest is None:
        said.append("No timber here has been evaluated yet, so the green stock sets no floor.")
    elif plan.floor is None:
        said.append(
            f"**Greenest piece:** {words.md(plan.greenest)}, mean {plan.greenest_mc_pct:.0f} % MC. "
            "Below 30 % the published safe starts set no floor that matters to a shop; the worst of the "
            "checking is behind it."
        )
    else:
        held = "keeps to" if plan.emc_pct >= plan.floor.emc_pct else "is drier than"
        said.append(
            f"**Greenest piece:** {words.md(plan.greenest)}, mean {plan.greenest_mc_pct:.0f} % MC. "
            "The mildest published safe start "
            f"holds an EMC of {plan.floor.emc_pct:.1f} % at this stage "
            f"({words.md(plan.floor.source)}). At {temp} the "
            f"same EMC means {plan.floor_rh_pct:.0f} % RH. The air now, EMC {plan.emc_pct:.1f} %, "
            f"{held} that. It was found "
            f"on boards of {units.show_length(schedules.INCH_MM, facts.system)}: take it as a comparison. "
            "A boxed heart checks whatever the humidity."
        )
    if plan.mould_pct is not None:
        grows = "It is above that now." if plan.rh_pct > plan.mould_pct else "It is below that now."
        said.append(
            f"**Mould:** at {temp} wood can mould after some weeks above {plan.mould_pct:.0f} % RH "
            "(Hukka & Viitanen 1999). "
            f"{grows}" + (" Move the air across wet faces and look at them every week." if plan.floor else "")
        )
    lows = [low for _, low, _ in plan.finished]
    if plan.finished:
        said.append(
            "**Finished work** stays as it is while the air holds it at the moisture of its future place: "
            + "; ".join(f"{name}, {low:.0f} to {high:.0f} % RH" for name, low, high in plan.finished)
            + "."
        )
    if plan.floor_rh_pct is not None and lows:
        low, high = max(plan.floor_rh_pct, *lows), min(top for _, _, top in plan.finished)
        if low > high:
            said.append(
                "**No one humidity suits both.** Keep the green stock wrapped or in a still corner "
                "with its ends sealed, and the finished work in the drier place."
            )
        else:
            said.append(
                f"**Both are served** by their service ranges alone from about {low:.0f} to {high:.0f} % RH; "
                "the plan below weighs what each tolerates, week by week."
            )
    return said


def windows(plan: shop_facts.AirPlan) -> list[time_series.Band]:
    """Return the humidity windows to draw."""
    found = []
    if plan.floor_rh_pct is not None:
        found.append(
            time_series.Band(name=f"green: {plan.greenest}", low_pct=plan.floor_rh_pct, high_pct=100)
        )
    if plan.mould_pct is not None:
        found.append(time_series.Band(name="free of mould", low_pct=0, high_pct=plan.mould_pct))
    return found + [
        time_series.Band(name=name, low_pct=low, high_pct=high) for name, low, high in plan.finished
    ]


def page() -> None:
    """Show the air of one place."""
    layout.title("Shop air")
    noted = layout.before(lambda: str(shop_facts.places()))
    facts, places = shop_facts.facts(), shop_facts.places()
    if not places:
        st.info(
            "No air has been measured yet. Point a temperature and humidity sensor at the broker, topic "
            f"`{shop_facts.air_topic()}`, or map its own topic in baulk.toml; it appears here by itself."
        )
        layout.watch("air", noted)
        return
    place = st.selectbox("Place", places, key="air_place") if len(places) > 1 else places[0]

    @st.fragment(run_every=layout.POLL_S)
    def live() -> None:
        with layout.errors_as_sentences():
            now = layout.now()
            plan = shop_facts.air_plan(place, now)
            layout.figures(
                [
                    ("Temperature", units.show_temperature(plan.temp_c, facts.temperature), ""),
                    ("Humidity", f"{plan.rh_pct:.0f} % RH", ""),
                    ("EMC", f"{plan.emc_pct:.1f} %", "where thin wood would settle"),
                    ("Newest reading", words.age(plan.newest_utc, now), words.clock(plan.newest_utc)),
                ]
            )
            st.header("Which humidity suits what", anchor=False)
            bars = windows(plan)
            if bars:
                st.altair_chart(
                    time_series.bands(bars, plan.rh_pct),
                    width="stretch",
                    key="bands",
                    alt="Bars of the relative humidities that suit each kind of work, with the humidity now",
                )
            st.markdown("\n\n".join(advice(plan, facts)))

    @st.fragment(run_every=60.0)
    def history() -> None:
        with layout.errors_as_sentences():
            st.header("History", anchor=False)
            span = st.segmented_control("Show", list(SPANS), default="2 weeks", key="air_span") or "2 weeks"
            series = shop_facts.air(place, SPANS[span], layout.now())
            dates = "%b %Y" if span == "a year" else "%d %b"
            fahrenheit = facts.temperature == "F"
            if fahrenheit:
                series = series.assign(temp_c=series["temp_c"] * 9 / 5 + 32)
            for column, title, colour in (
                ("temp_c", "temperature, °F" if fahrenheit else "temperature, °C", time_series.EARTH),
                ("rh_pct", "relative humidity, %", time_series.DEEP),
                ("emc_pct", "EMC, %", "#4d5912"),
            ):
                st.altair_chart(
                    time_series.air(series, column, title, colour, dates),
                    width="stretch",
                    key=f"air-{column}",
                    alt=f"The {title.replace(', ', ' in ')} over {span}",
                )
            st.caption(words.TERMS["EMC"] + " Computed for each reading, then averaged.")
            downloads.offer_table(
                f"{place}-air", lambda: shop_facts.air(place, SPANS[span], layout.now()), key="air"
            )

    live()
    with layout.errors_as_sentences():
        humidity_plan.section(place, facts)
    history()


page()
