"""The plan of a room's air on its page: what to do in one sentence, on which air it rests, and folds."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import pandas as pd
import streamlit as st

from baulk.dashboard import plan_rows, words
from baulk.dashboard.charts import humidity as charts_humidity
from baulk.dashboard.queries.shop_facts import AirNow, ShopFacts
from baulk.dashboard.sections import (
    air_room,
    layout,
    plan_paper,
    plans_back,
    press,
    saved,
    table_files,
)
from baulk.dashboard.server import page_worker
from baulk.dashboard.server.shop_access import ask
from baulk.ingest.planning import kept_air, kept_promises, worker_jobs
from baulk.ingest.planning.kept_air import Kept
from baulk.models import text, units
from baulk.models.errors import OutOfRange
from baulk.models.formatting import about
from baulk.models.plan.humidity.air_plan import AirPlan
from baulk.models.plan.humidity.outcome import TimberOutcome
from baulk.models.plan.humidity.summary import closed, summary, ways
from baulk.models.units import TemperatureUnit

TRY: Final = "what-if-air"  # the fold with the form for a humidity of one's own
SHOWN_WEEKS = (0, 1, 2, 4, 8, 13, 26, 39, 52, 78, 104)
WAYS = ("", "All ready", "Weeks gained (90 % range)", "Checks", "Mould", "Warm and wet, h", "Litres", "kWh",
        "Cost", "Work, h")  # fmt: skip


def work_out(place: str) -> Kept:
    """Work a room's plan out with what is kept of it, and keep it; the shop serves other pages meanwhile."""
    config, woods = ask(lambda s: (s.config, s.woods))
    return page_worker.run(worker_jobs.air_plan, config, woods, place, layout.now())


def answer(place: str, now: AirNow | None, facts: ShopFacts) -> AirPlan | None:
    """Show what to do in one sentence, and this week's scale; return the plan that the night made.

    Parameters
    ----------
    place : str
        The room.
    now : AirNow or None
        Its newest air.
    facts : ShopFacts
        Units to show.
    """
    kept = ask(lambda s: kept_air.made(s, place))
    if kept is None or kept.plan is None:
        why = "" if kept is None else f" It could not be made: {words.md(kept.failed)}."
        st.info(
            f"The air of {words.md(place)} has no plan yet: press Calculate, or wait for the one that is "
            f"made each night.{why}"
        )
        _button(place, "Calculate")
        return None
    worked_out = kept.plan
    made = ask(lambda s: kept_promises.taught(s, worked_out))
    reader = units.temperature_system(facts.temperature)
    headline, *air = text.sentences((made.headline, *made.air_assumed), reader, zone=words.zone())
    st.html(
        f'<div class="b-verdict"><div class="b-say">{words.esc(headline)}</div>'
        f'<div class="b-small">{words.esc(" ".join(air))}</div></div>'
    )
    st.altair_chart(
        charts_humidity.scale(made, None if now is None else now.rh_pct),
        width="stretch",
        key="air-scale",
        alt=this_week(made, now),
    )
    st.markdown(words.md(this_week(made, now)))
    limits = ", ".join(f"{value:.0f} % ({name})" for value, name, _ in charts_humidity.limits_of(made))
    st.caption(f"Limits: {words.md(limits)}. Worked out {words.clock(kept.made_utc)}.")
    return made


def this_week(made: AirPlan, now: AirNow | None) -> str:
    """Say in one sentence how the air now lies to this week's window."""
    week = made.weeks[0]
    if week.low_pct > week.high_pct:
        return (
            f"No humidity suits everything here this week: not below {week.low_pct:.0f} %, not above "
            f"{week.high_pct:.0f} %."
        )
    window = f"this week's window of {week.low_pct:.0f} to {week.high_pct:.0f} %"
    if now is None:
        return f"This is {window}."
    low, at, high = (round(each) for each in (week.low_pct, now.rh_pct, week.high_pct))  # as they are shown
    where = "inside"
    if at in {low, high} and low < high:
        where = "at the dry end of" if at == low else "at the damp end of"
    elif at < low:
        where = "drier than"
    elif at > high:
        where = "damper than"
    return f"The air now, {now.rh_pct:.0f} %, is {where} {window}."


def rest(place: str, made: AirPlan, past: pd.DataFrame, facts: ShopFacts) -> None:
    """Show the weeks ahead, what each timber gains, what else could be done, and the folds.

    Parameters
    ----------
    place : str
        The room.
    made : AirPlan
        Its plan.
    past : DataFrame
        Its air of the past two weeks.
    facts : ShopFacts
        Units to show.
    """
    reader = units.temperature_system(facts.temperature)
    st.header("Two weeks back, twelve ahead", anchor=False)
    finding = charts_humidity.in_the_window(made)
    st.markdown(finding)
    st.altair_chart(charts_humidity.weeks(made, past), width="stretch", key="air-weeks", alt=finding)
    st.caption("Line: measured. Dashed: if nothing is done. Shaded: the window, brown where limits cross.")
    _timbers(made, reader)
    st.header("What could be done", anchor=False)
    layout.cards(WAYS, plan_rows.alternatives(made), tight=True)
    st.caption("Over the first year. Ready: when a verdict would say square.")
    with st.expander("How each is worked out, and what can't be", key="air-ways"):
        how = words.mds(text.sentences(ways(made), reader, zone=words.zone()))
        st.markdown("\n".join(f"* {each}" for each in how))
    with st.expander("The plan week by week", key="air-by-week"):
        _by_week(made, facts.temperature, reader)
    with st.expander("Assumptions, and what would change the plan", key="air-assumed"):
        said = text.sentences((*made.assumptions, *made.changes), reader, zone=words.zone())
        st.markdown("\n".join(f"* {each}" for each in words.mds(said)))
    plan_paper.offer_plan(made)
    plans_back.follow(place, made)
    _button(place, "Calculate again")


def foreseen() -> None:
    """Have the process come that answers the form, once its fold is opened; a callback."""
    if st.session_state[TRY]:
        page_worker.warm_up()


def what_if(place: str, facts: ShopFacts) -> None:
    """Say what comes of a humidity that a person has in mind, beside doing nothing; nothing is kept."""
    with st.form(f"air-what-if-{place}", border=False):
        left, right = st.columns(2)
        humid = left.text_input("Hold, % RH", key="plan_hold", placeholder="60")
        like = "60F" if facts.temperature == "F" else "16C"
        warm = right.text_input("At", key="plan_hold_temp", placeholder=f"as the season; or {like}")
        press.submit("Try", key=f"air-try-{place}", width="stretch")

    def tried() -> AirPlan:
        rh = air_room.number(humid, "the humidity to hold")
        if rh is None:
            raise OutOfRange("the humidity to hold", "is missing")
        held = units.temperature_c(warm, bare=facts.temperature) if warm.strip() else None

        config, woods, asked = ask(lambda s: (s.config, s.woods, kept_air.wish(s, place).asked(place)))
        asked = replace(asked, hold_rh=rh, held_c=asked.held_c if held is None else held)
        return page_worker.run(worker_jobs.air_tried, config, woods, asked, layout.now())

    made = press.answer(f"air-try-{place}", facts.temperature, "Working it out", tried)
    if made is None:
        return
    reader = units.temperature_system(facts.temperature)
    layout.cards(WAYS, plan_rows.alternatives(made), tight=True)
    st.markdown("\n\n".join(words.mds(text.sentences(summary(made), reader, zone=words.zone()))))


def _timbers(made: AirPlan, reader: units.System) -> None:
    """Show what each timber gains by what is to be done."""
    nothing, chosen = made.alternatives[0], made.alternatives[made.offered]
    if not nothing.timbers:
        st.caption("No timber here waits to be squared.")
        return
    st.header("What each timber gains" if made.offered else "When each timber is ready", anchor=False)
    rows = [
        (without.tag, _date(without), *((_date(with_it), _gained(with_it)) if made.offered else ()))
        for without, with_it in zip(nothing.timbers, chosen.timbers, strict=True)
    ]
    does = plan_rows.name(chosen)
    heads = ("Timber", "If nothing is done", *((does, "Gained") if made.offered else ()))
    layout.cards(heads, rows)
    lesson = [each for each in made.assumptions if each.code in {"back.lesson", "back.lesson_used"}]
    for said in text.sentences(lesson, reader, zone=words.zone()):
        st.caption(words.md(said))


def _date(each: TimberOutcome) -> str:
    return (
        "not in 3 years" if each.ready_utc is None else about(words.local(each.ready_utc), each.spread_days)
    )


def _gained(each: TimberOutcome) -> str:
    middle, low, high = (
        plan_rows.signed(one) for one in (each.gained.median, each.gained.low, each.gained.high)
    )
    return f"{middle} weeks ({low} to {high})"


def _by_week(made: AirPlan, temperature: TemperatureUnit, reader: units.System) -> None:
    finding = charts_humidity.in_the_window(made, len(made.weeks))
    st.markdown(finding)
    st.altair_chart(charts_humidity.window(made), width="stretch", key="air-plan-chart", alt=finding)
    st.caption("The window and its limits, the planned humidity, and what comes if nothing is done.")
    shut = closed(made)
    if shut is not None:
        opening = [each.words for each in made.remedies if each.weeks_open]
        st.warning(words.md(" ".join(text.sentences([shut, *opening], reader, zone=words.zone()))))
    st.markdown("\n\n".join(words.mds(text.sentences(summary(made)[1:], reader, zone=words.zone()))))
    rows = [
        (
            words.day(each.starts_utc),
            units.show_temperature(each.temp_c, temperature),
            f"{each.set_pct:.0f} %",
            f"{each.low_pct:.0f} to {each.high_pct:.0f} %" if each.low_pct <= each.high_pct else "none",
            f"{each.expected_pct:.0f} %",
            plan_rows.UNKNOWN if each.need_l_day is None else f"{each.need_l_day:+.1f}",
        )
        for i, each in enumerate(made.weeks)
        if i in SHOWN_WEEKS
    ]
    layout.cards(("week from", "air", "planned", "window", "if nothing is done", "litres a day out"), rows)
    table_files.offer_table(f"{made.place}-plan", lambda: table_files.rows(made.weeks), key="air-plan")


def _button(place: str, label: str) -> None:
    key = f"air-work-out-{place}"
    press.draw(label, key=key, width="stretch")
    wait = "Calculating; a yard of eight timbers takes half a minute the first time"
    found = press.work(key, wait, lambda: work_out(place))
    if found is not None:
        saved.tell(f"The air of {place} is worked out anew." if found.plan else layout.capital(found.failed))
        st.rerun()
