"""Timber: one piece, its verdict with reasons, the moisture inside it, and how it goes on."""

from __future__ import annotations

from datetime import datetime

import streamlit as st

from baulk.dashboard import words
from baulk.dashboard.charts import cross_section, surface, time_series
from baulk.dashboard.queries import shop_facts, yard_rows
from baulk.dashboard.sections import (
    checks_seen,
    downloads,
    forecast_review,
    layout,
    reading_corrections,
    reading_form,
    timber_history,
    what_if,
    while_it_lies,
)
from baulk.ingest.evaluation.document import Document, Interval
from baulk.ingest.evaluation.document_fields import sentence, sentences
from baulk.models import units
from baulk.models.formatting import share
from baulk.models.quantity import AT_DEPTH
from baulk.models.section import Face
from baulk.models.text import events as event_text
from baulk.models.text import series as series_text

LATEST_SIZES = 8
FACES = {"a": "face a (up)", "b": "face b", "c": "face c", "d": "face d"}

MIND = (
    "Heavy and dusty work: lift with a hoist or enough people, and extract the dust; oak dust harms nose and "
    "lungs. Whether a piece may carry people or load is for the local code and a licensed designer."
)


def mark(tag: str) -> str:
    """Return a text that changes with a timber's newest readings or its evaluation."""
    found = shop_facts.timber(tag)
    made = found.answer.made_utc.isoformat() if found.answer else "none"
    return f"{tag} {made} " + " ".join(f"{r.series}@{r.taken_utc.timestamp():.3f}" for r in found.latest)


def heard(tag: str) -> str:
    """Return how old a timber's newest reading is."""
    latest = shop_facts.timber(tag).latest
    return f"Newest reading {words.age(latest[0].taken_utc, layout.now())}." if latest else "No reading yet."


def say_verdict(answer: Document, now: datetime, system: units.System) -> None:
    """Show the verdict by shape and word, its dates, its reasons and what to read next."""
    verdict, told = answer.verdict, words.judged(answer.verdict)
    dates = []
    for name in ("rough out", "square"):
        if name in verdict.dates and not (name == "rough out" and verdict.step == "square"):
            sure = words.sure(verdict, name)
            when = words.step_from(verdict, name, now)
            dates.append((words.STEPS[name].word, when, sure and f"if done today: {sure} sure"))
    if verdict.rough_out_size_mm and verdict.step != "square":
        dates.append(
            ("Rough-out size", units.show_size(*verdict.rough_out_size_mm, system), "leave this much on it")
        )
    if (out := verdict.comes_out) is not None:
        finished = units.show_size(*out.finished_mm, system)
        dates.append(("Finished size", share(out.probability), f"sure that {finished} still comes out"))
    reasons = [
        f"<li>{words.esc(text)}</li>"
        for text in sentences(verdict.reasons_coded, verdict.reasons, system, zone=words.zone())
    ]
    first, rest = "".join(reasons[:3]), "".join(reasons[3:])
    following = words.esc(
        sentence(verdict.next_reading_coded, verdict.next_reading, system, zone=words.zone())
    )
    more = f"<details><summary>more reasons</summary><ul>{rest}</ul></details>" if rest else ""
    doubt = "" if verdict.enough_readings else " There are too few readings yet to rely on this."
    st.html(
        '<div class="b-verdict">'
        f'<div class="b-say"><span class="b-shape">{told.shape}</span>{told.word}</div>'
        f'<div>{words.esc(told.sentence)}{doubt}</div><ul class="b-reasons">{first}</ul>{more}'
        f'<div class="b-next"><b>Next:</b> {following}</div></div>'
    )
    layout.figures(dates)
    if conditions := words.conditions(verdict, now):
        layout.cards(("condition", "sure today", "sure enough"), conditions)
    st.caption(MIND)


def say_moisture(answer: Document, now: datetime) -> None:
    """Show core, mean and shell now with their ranges, and how old the answer is."""
    layout.figures(
        [
            (name, words.span(s.median, s.low, s.high), under)
            for name, s, under in (
                ("Core MC now", answer.core_now_pct, "the inner third and deeper"),
                ("Mean MC now", answer.mean_now_pct, "over the whole section"),
                ("Shell MC now", answer.shell_now_pct, "the outer fifth"),
            )
        ]
        + [("Worked out", words.age(answer.made_utc, now), words.clock(answer.made_utc))]
    )


def movement(answer: Document, system: units.System) -> None:
    """Show what the finished piece would still do if it were squared now."""
    digits, per, unit = (2, 25.4, "in") if system == "inch" else (1, 1.0, "mm")

    def told(span: Interval) -> tuple[str, str]:
        low, mid, high = (v / per for v in (span.low, span.median, span.high))
        return signed(mid), f"{signed(low)} to {signed(high)}"

    def signed(value: float) -> str:
        rounded = round(value, digits)
        return f"{rounded:+.{digits}f}" if rounded else f"{0:.{digits}f}"

    move = answer.movement
    rows = [(FACES.get(f, f"face {f}"), *told(s)) for f, s in sorted(move.face_mm.items())]
    rows.append(("across, mid-face b to d", *told(move.middle_width_mm)))
    rows.append(("deep, mid-face a to c", *told(move.middle_depth_mm)))
    rows.append(("out of square", *told(move.out_of_square_mm)))
    lean = move.out_of_square_deg
    rows.append(("corner off 90°", f"{lean.median:+.1f}°", f"{lean.low:+.1f}° to {lean.high:+.1f}°"))
    rows.append(("cup", *told(move.cup_mm)))
    rows += [(name, *told(span)) for name, span in words.of_check(move).items()]
    stages = (
        (f"by the end of {move.build_days:.0f} days' work", move.build),
        (f"in its driest season, {move.service_low_pct:.0f} % MC", move.service_low),
        (f"in its dampest season, {move.service_high_pct:.0f} % MC", move.service_high),
    )
    rows += [
        (f"size {name}", *told(stage.size_change_mm or stage.width_mm)) for name, stage in stages if stage
    ]
    allowed = f"{move.tolerance_mm / per:.{digits}f} {unit}"
    layout.table(("if squared now", f"likely, {unit}", f"range, {unit}"), rows)
    st.caption(
        f"{words.TERMS['movement']} Allowed here: {allowed}, settling at about {move.service_mc_pct:.0f} % "
        "MC (the middle half of its service range). A minus means it shrinks, a plus that it swells."
    )
    if check := answer.checking:
        st.caption(
            f"Checking margin {words.span(*_spanned(check.margin_pct))}: the surface wants to shrink "
            f"{words.span(*_spanned(check.wanted_pct))}, and boards of this species stand "
            f"{check.tolerated_pct:.1f} % at the mildest published start ({check.source}). A comparison "
            "within the species, never a promise."
        )
        if check.ahead is not None:
            st.altair_chart(
                surface.ahead(check, check.ahead),
                width="stretch",
                key="surface",
                alt="Strain that the surface wants by day for two weeks, beside what it stands",
            )


def _spanned(span: Interval) -> tuple[float, float, float]:
    return span.median, span.low, span.high


def calibration(answer: Document, system: units.System) -> None:
    """Say what the readings taught the model about this piece."""
    fit = answer.calibration
    speed, start = fit.d_factor, fit.start_mc_pct
    lines = [
        f"It dries {speed.median:.2g} times ({speed.low:.2g} to {speed.high:.2g}) as fast as usual.",
        f"It began at about {words.span(start.median, start.low, start.high)} MC.",
    ]
    bias = fit.meter_bias_pct
    way = "high" if bias.median > 0 else "low"
    lines.append(
        f"The pin meter reads about {abs(bias.median):.1f} % {way} in it "
        f"({bias.low:+.1f} to {bias.high:+.1f})."
    )
    used = "1 reading" if fit.used == 1 else f"{fit.used} readings"
    lines.append(f"Learned from {used}." if fit.used else "No reading has taught it anything yet.")
    left_out = sentences(fit.left_out_coded, fit.left_out, system, zone=words.zone())
    lines += [f"Left out: {text}" for text in left_out[:5]]
    if len(left_out) > 5:
        lines.append(f"... and {len(left_out) - 5} more left out.")
    st.markdown("\n".join(f"- {line}" for line in words.mds(lines)))


def draw(found: shop_facts.TimberFacts, facts: shop_facts.ShopFacts, now: datetime) -> None:
    """Lay the page out: what to do, then what is inside, then how it goes on."""
    timber, answer = found.timber, found.answer
    left, right = st.columns([7, 5], gap="large")
    with left:
        if found.trouble:
            st.error(words.md(layout.capital(found.trouble)))
        elif answer is None:
            st.info("The first evaluation of this timber is being computed; it appears here by itself.")
        else:
            say_verdict(answer, now, facts.system)
            say_moisture(answer, now)
    pins = sorted(
        {(s.depth_mm, s.face) for r in found.latest if (s := r.series).quantity in AT_DEPTH}, key=str
    )
    spots = [
        cross_section.Pin(depth_mm=d, face=f)
        for d, f in pins
        if d is not None and d <= timber.section.size_mm(f or Face.A)  # a slip; it would stretch the picture
    ]
    with right:
        st.altair_chart(
            cross_section.section(timber, answer, spots, facts.system),
            width="content",
            key="section",
            alt="The butt end with moisture by colour, the pith, the pins and the finished piece",
        )
        st.caption(
            "Butt end. Dashed: the finished piece. White cross: pith. Brown dots: pins"
            + (f" read at {len(spots)} depth{'s' if len(spots) != 1 else ''}." if spots else ", none yet.")
        )
    if answer is not None:
        forecast(found, answer)
        forecast_review.section(timber.tag, answer, facts.system, now)
        left, right = st.columns(2, gap="large")
        with left:
            st.header("Movement still to come", anchor=False)
            drawn, times = cross_section.picture(timber, answer.movement, facts.system)
            st.altair_chart(
                drawn,
                width="content",
                key="outline",
                alt="The finished square dashed, and its shape after it has settled, enlarged",
            )
            st.caption(f"The finished square, its movement drawn {times} times as large as it is.")
            movement(answer, facts.system)
        with right:
            st.header("What the readings taught", anchor=False)
            calibration(answer, facts.system)
            if rows := words.measured(answer, facts.system):
                layout.cards(("day", "what", "measured", "foreseen"), rows[:LATEST_SIZES])
        st.header("Readings against the model", anchor=False)
        if answer.readings:
            names = {r.series: series_text.called(r.series, facts.system) for r in answer.readings}
            st.altair_chart(
                time_series.readings(answer, names, facts.system),
                width="stretch",
                key="readings",
                alt="Moisture in percent over time, as measured and as the model says",
            )
            st.caption(
                "Hollow: left out of the fit, or above fibre saturation, where a pin says only 'at least'."
            )
        else:
            st.info("No reading is in the fit yet. Weigh the piece or drive pins, and enter it below.")


def forecast(found: shop_facts.TimberFacts, answer: Document) -> None:
    """Draw where mean and core are going."""
    square = answer.verdict.dates.get("square")
    home = (found.use.service_low_pct, found.use.service_high_pct)
    st.header("Forecast", anchor=False)
    for column, which in zip(st.columns(2, gap="large"), ("core", "mean"), strict=True):
        with column:
            st.altair_chart(
                time_series.fan(answer, which, home, square),
                width="stretch",
                key=f"fan-{which}",
                alt=f"Moisture of the {which} in percent over time: past, forecast and its range",
            )
    st.caption(
        "Line: most likely. Dark band: half the chances. Light band: nine in ten. Green: the moisture of its "
        f"future place, {found.use.service_low_pct:.0f} to {found.use.service_high_pct:.0f} %."
    )
    if answer.reach:
        said = [
            words.reached(f"The {each.where}", each.below_pct, each.dates, answer.made_utc)
            for each in answer.reach
        ]
        st.caption(words.md(" ".join(said)))


def newest(found: shop_facts.TimberFacts, facts: shop_facts.ShopFacts, now: datetime) -> None:
    """List the newest readings."""
    st.header("Newest readings", anchor=False)
    if not found.newest:
        st.info(
            "No reading yet. Weigh the piece or drive pins, and enter it below; a sensor's appear by "
            "themselves."
        )
        return
    rows = [
        (
            event_text.value(r, facts.system, facts.temperature),
            series_text.called(str(r.series), facts.system),
            ", ".join(
                filter(
                    None,
                    (words.age(r.taken_utc, now), words.source(r), event_text.flags(r, facts.system)),
                )
            ),
        )
        for r in found.newest
    ]
    layout.values(rows)


def page() -> None:
    """Show the timber that the address or the select box names."""
    tags, facts = shop_facts.tags(), shop_facts.facts()
    if not tags:
        layout.title("Timber")
        st.info("No timber is tagged yet. Open Arrival in the menu above and tag the first one in.")
        return
    if gone := st.session_state.pop("taken_out", None):
        st.success(f"{words.md(gone)} is taken out of the register; its history keeps who did it and when.")
    asked = st.query_params.get("tag")
    if "tag" not in st.session_state or asked != st.session_state.get("asked"):
        known = asked if asked in tags else None
        st.session_state["tag"] = known or (None if asked else yard_rows.rows(layout.now())[0].timber.tag)
    chosen = st.selectbox("Timber", tags, key="tag", placeholder="choose a tag")
    if chosen is None:
        with layout.errors_as_sentences():
            shop_facts.timber(asked or "")
        return
    st.session_state["asked"] = chosen
    if asked != chosen:
        st.query_params["tag"] = chosen
    noted = layout.before(lambda: mark(chosen))
    now, found = layout.now(), shop_facts.timber(chosen)
    timber = found.timber
    layout.title(
        timber.tag,
        f"{timber.species}, green "
        f"{units.show_size(timber.section.width_mm, timber.section.depth_mm, facts.system)}, "
        f"to finish {units.show_size(timber.finished.width_mm, timber.finished.depth_mm, facts.system)}; "
        f"{found.use.title}. In {timber.place} since {words.day(timber.arrived_utc)}, "
        f"ends {'sealed' if timber.ends_sealed else 'not sealed'}.",
    )
    layout.watch("timber", noted, lambda: heard(chosen))
    st.page_link(
        "views/readings.py", label=f"Read {words.md(timber.tag)} now", query_params={"tag": timber.tag}
    )
    draw(found, facts, now)
    left, right = st.columns([7, 5], gap="large")
    with left:
        newest(found, facts, now)
        reading_corrections.show(found, facts, now)
        while_it_lies.show(timber.tag, facts.system, now)
        checks_seen.show(timber.tag, facts.system)
        timber_history.show(found, facts, now)
    with right:
        reading_form.form(found, facts)
        what_if.form(found, facts)
        downloads.offer_timber(found, now)


page()
