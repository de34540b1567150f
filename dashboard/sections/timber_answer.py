"""What the evaluation of a timber says by fold: why, where it goes, what comes out, what was learned."""

from __future__ import annotations

from datetime import datetime
from typing import Final

import streamlit as st

from baulk.dashboard import words
from baulk.dashboard.charts import cross_section, fitted, forecast, surface
from baulk.dashboard.queries import shop_facts
from baulk.dashboard.sections import layout
from baulk.ingest.evaluation.document import Document, Interval
from baulk.ingest.evaluation.document_fields import sentence, sentences
from baulk.models import units
from baulk.models.formatting import factor, share, show_movement

MOST_REASONS: Final = 5
FACES: Final = {"a": "face a (up)", "b": "face b", "c": "face c", "d": "face d"}


def why(answer: Document, now: datetime, system: units.System) -> None:
    """Say the reasons, the most binding first, what to read next, and each condition by itself."""
    verdict = answer.verdict
    said = sentences(verdict.reasons_coded, verdict.reasons, system, zone=words.zone())
    rows = [f"<li>{words.esc(each)}</li>" for each in said]
    first, rest = "".join(rows[:MOST_REASONS]), "".join(rows[MOST_REASONS:])
    more = f'<details class="b-more"><summary>more reasons</summary><ul>{rest}</ul></details>' if rest else ""
    following = words.esc(
        sentence(verdict.next_reading_coded, verdict.next_reading, system, zone=words.zone())
    )
    st.html(f'<ul class="b-reasons">{first}</ul>{more}<div class="b-next"><b>Next:</b> {following}</div>')
    if conditions := words.conditions(verdict, now):
        layout.cards(("condition", "sure today", "sure enough"), conditions)


def ahead(answer: Document, use: shop_facts.TimberFacts, now: datetime) -> None:
    """Draw where core and average are going, with the day on which it may be squared."""
    home = (use.use.service_low_pct, use.use.service_high_pct)
    said = forecast.finding(answer, now)
    st.markdown(f"**{words.md(said)}**")
    st.altair_chart(forecast.chart(answer, home, now), width="stretch", key="forecast", alt=said)
    st.caption(
        "Line: most likely. Band: nine chances in ten. Green: its moisture in service, "
        f"{home[0]:.0f} to {home[1]:.0f} %."
    )
    now_ = (("Core", answer.core_now_pct), ("Average", answer.mean_now_pct), ("Shell", answer.shell_now_pct))
    layout.figures([(f"{name} MC now", words.span(s.median, s.low, s.high), "") for name, s in now_])
    for each in answer.reach:
        told = words.reached(f"The {each.where}", each.below_pct, each.dates, answer.made_utc)
        st.caption(words.md(told))
    st.caption(f"Worked out {words.age(answer.made_utc, now)}, {words.clock(answer.made_utc)}.")


def comes_out(found: shop_facts.TimberFacts, answer: Document, now: datetime, system: units.System) -> None:
    """Say whether the finished piece comes out of it and how it would stay, with its outline."""
    _sizes(answer, now, system)
    drawn, times = cross_section.picture(found.timber, answer.movement, system)
    st.html(drawn.html())
    st.caption(
        f"{words.md(drawn.said)} Dashed: squared now. Brown: in service, its movement drawn {times} times as "
        "large as it is. Each side: what it will measure, and the change."
    )
    movement(answer, system)


def _sizes(answer: Document, now: datetime, system: units.System) -> None:
    verdict, rows = answer.verdict, []
    for name in ("rough out", "square"):
        if name in verdict.dates and not (name == "rough out" and verdict.step == "square"):
            sure = words.sure(verdict, name)
            when = words.step_from(verdict, name, now)
            rows.append((words.STEPS[name].word, when, sure and f"if done today: {sure} sure"))
    if verdict.rough_out_size_mm and verdict.step != "square":
        size = units.show_size(*verdict.rough_out_size_mm, system)
        rows.append(("Rough-out size", size, "leave this much on it"))
    if (out := verdict.comes_out) is not None:
        finished = units.show_size(*out.finished_mm, system)
        rows.append(("Finished size", share(out.probability), f"sure that {finished} still comes out"))
    layout.figures(rows)


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
    layout.table(("if squared now", f"likely, {unit}", f"range, {unit}"), rows)
    st.caption(
        f"{words.TERMS['movement']} Allowed here: {show_movement(move.tolerance_mm, system)}, settling at "
        f"about {move.service_mc_pct:.0f} % MC (the middle half of its service range). A minus means it "
        "shrinks, a plus that it swells."
    )
    if check := answer.checking:
        st.caption(
            f"Checking margin {words.span(*_spanned(check.margin_pct))}: the surface tends to shrink "
            f"{words.span(*_spanned(check.wanted_pct))}, and boards of this species withstand "
            f"{check.tolerated_pct:.1f} % at the mildest published start ({check.source}). A comparison "
            "within the species, never a promise."
        )
        if check.ahead is not None:
            said = surface.finding(check, check.ahead)
            st.altair_chart(surface.ahead(check, check.ahead), width="stretch", key="surface", alt=said)
            st.caption(said)


def _spanned(span: Interval) -> tuple[float, float, float]:
    return span.median, span.low, span.high


def learned(answer: Document, system: units.System) -> None:
    """Draw the readings beside the model, and say what they taught it about this piece."""
    if answer.readings:
        said = fitted.finding(answer)
        st.markdown(f"**{words.md(said)}**")
        st.altair_chart(fitted.chart(answer, system), width="stretch", key="fitted", alt=said)
    fit = answer.calibration
    speed, start, bias = fit.d_factor, fit.start_mc_pct, fit.meter_bias_pct
    way = "high" if bias.median > 0 else "low"
    used = "1 reading" if fit.used == 1 else f"{fit.used} readings"
    times = f"({factor(speed.low)} to {factor(speed.high)})"
    off = f"({bias.low:+.1f} to {bias.high:+.1f})"
    lines = [
        f"It dries {factor(speed.median)} times {times} as fast as usual.",
        f"It began at about {words.span(start.median, start.low, start.high)} MC.",
        f"The pin meter reads about {abs(bias.median):.1f} points of MC too {way} {off}.",
        f"Learned from {used}." if fit.used else "No reading has taught it anything yet.",
    ]
    left_out = sentences(fit.left_out_coded, fit.left_out, system, zone=words.zone())
    lines += left_out[:5]
    if len(left_out) > 5:
        lines.append(f"... and {len(left_out) - 5} more left out.")
    st.markdown("\n".join(f"- {line}" for line in words.mds(lines)))
