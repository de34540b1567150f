"""Parts and buying: what the yard gives, along its timbers, and the mill's list; then what was asked."""

from __future__ import annotations

import io
from collections.abc import Sequence

import pandas as pd
import streamlit as st

from baulk.dashboard import words
from baulk.dashboard.charts import part_bars
from baulk.dashboard.printing import mill_list
from baulk.dashboard.queries import shop_facts
from baulk.dashboard.sections import (
    layout,
    plan_shared,
    press,
    saved,
    table_files,
    upload,
    which_wood,
)
from baulk.dashboard.sections.plan_shared import LONG, say
from baulk.dashboard.server import page_worker, shop_access
from baulk.ingest.evaluation import curves
from baulk.ingest.planning import sawing, worker_jobs
from baulk.ingest.shop import Shop
from baulk.models import formatting, units
from baulk.models.formatting import count
from baulk.models.plan.buying import parts
from baulk.models.plan.buying.purchase import BuyPlan, Wish
from baulk.models.plan.sawing.order import MILL_STEPS_MM
from baulk.models.text import sentence, sentences
from baulk.models.text.sawing import BOARD_FOOT_M3


def buying(system: units.System) -> None:
    """Show the assignment and the list for the mill, then the sentence and the parts that ask for it."""
    answer = st.container()
    wish = _asked(system)
    listed = shop_access.ask(lambda shop: shop.register.parts())
    title = f"The parts: {count(sum(each.count for each in listed), 'piece')}" if listed else "The parts"
    with st.expander(title, expanded=not listed, key="parts-list"):
        wanted = _wanted(listed, system)
    if not wanted:
        page_worker.warm_up()  # while the person types them
        return
    now_utc = layout.now()
    yard, air = shop_access.ask(
        lambda shop: (sawing.yard(shop, wish.confidence), sawing.futures(shop, now_utc, wanted))
    )
    with answer, st.spinner("Assigning parts to timbers and drying what is short"):
        made = page_worker.run(worker_jobs.bought, wanted, yard, wish, now_utc, air, shop_facts.woods())
    with answer:
        _answer(made, {each.stock.name: each.stock.length_mm for each in yard}, system)
    plan_shared.told(made)


def _answer(made: BuyPlan, lengths_mm: dict[str, float], system: units.System) -> None:
    st.markdown(f"**{words.md(sentence(made.yard_gives(), system, zone=words.zone()))}**")
    if bars := part_bars.bars(made, lengths_mm):
        st.markdown(words.md(part_bars.finding(bars, system)))
        st.html(part_bars.html(bars, system))
    if made.next_best:
        st.header("The next best", anchor=False)
        for line in words.mds(sentences(made.next_best, system, zone=words.zone())):
            st.markdown(f"- {line}")
    if made.mill:
        st.header("For the mill", anchor=False)
        for line in words.mds(sentences([each.reason() for each in made.mill], system, zone=words.zone())):
            st.markdown(f"- {line}")
        facts, now = shop_facts.facts(), layout.now()
        with st.container(horizontal=True, gap="small", key="mill-files"):
            st.download_button(
                "Print the list for the mill",
                lambda: mill_list.pdf(made, shop=facts.name, made_utc=now, system=system),
                "mill.pdf",
                "application/pdf",
                key="mill_pdf",
            )
            st.download_button(
                "The same as CSV", mill_list.mill_csv(made, system), "mill.csv", "text/csv", key="mill_csv"
            )
    taken = [each.reason() for each in made.assignments]
    short = ", and why some are short" if made.shortfalls else ""
    with st.expander(f"Each part: from which timber and when{short}", key="parts-why"):
        for line in words.mds(
            sentences((*taken, *(each.reason() for each in made.shortfalls)), system, zone=words.zone())
        ):
            st.markdown(f"- {line}")
        table_files.offer_table(
            "parts",
            lambda: (
                table_files.rows(made.assignments, system) if made.assignments else short_rows(made, system)
            ),
            key="assignments",
        )


def _asked(system: units.System) -> Wish:
    """Ask in one sentence how the shop buys."""
    with plan_shared.sentence_of_inputs("buy"):
        say("Where a part names no wood I buy")
        kind = which_wood.choose(
            "Wood to buy where a part names none",
            shop_facts.woods().species,
            key="buy_species",
            placeholder="choose or type",
            width=LONG,
        )
        say("and want sizes and dates to hold for")
        sure = plan_shared.sure_of("Confidence of sizes and dates", 95, key="buy_sure")
        say("while a week's wait for a part costs")
        inch = system == "inch"
        unit, most, step = ("board feet", 4000.0, 5.0) if inch else ("m³", 10.0, 0.01)
        wait = st.number_input(
            f"A week's wait for a part, in {unit} of wasted wood", 0.0, most, 0.0, step,
            key=f"buy_wait-{system}", label_visibility="collapsed", width=170,
            format="%.0f" if inch else "%.2f",
        )  # fmt: skip
        say(f"{unit} of wasted wood (0: nothing may be late).")
    across, along = MILL_STEPS_MM[system]
    return Wish(
        confidence=sure,
        species=kind,
        wait_per_week=(wait * BOARD_FOOT_M3 if inch else wait) or None,
        step_mm=across,
        length_step_mm=along,
        seen=shop_access.ask(curves.measured),
    )


def _wanted(listed: Sequence[parts.Part], system: units.System) -> list[parts.Part]:
    """Show the list of parts, from a file or from the register, to be written over; return what is wanted."""
    given = upload.box(
        "Parts list as CSV", ("csv", "txt"), 1, key="parts_file", help=f"Columns: {parts.COLUMNS}."
    )
    text = parts.write_csv(listed, system)
    if given is not None:
        try:
            text = given.getvalue().decode("utf-8")
        except UnicodeDecodeError:
            st.error("The file is not text in UTF-8; save it as CSV in UTF-8.")
            return []
    try:
        table = pd.read_csv(io.StringIO(text), dtype=str, sep=None, engine="python").fillna("")
    except (ValueError, pd.errors.ParserError):
        table = pd.DataFrame(columns=parts.COLUMNS.split(","))
    edited = st.data_editor(table, num_rows="dynamic", hide_index=True, key="parts_table", width="stretch")
    if edited.empty:
        st.caption("Load a list, or write the parts into the table: the last line takes a new one.")
        return []
    found = parts.read_csv(
        edited.fillna("").to_csv(index=False),
        now_utc=layout.now(),
        bare=units.default_length_unit(system),
        woods=shop_facts.woods(),
    )
    for refused in found.refused:
        st.error(f"Part {refused.line - 1} of the table is left out: {words.md(refused.why)}.")
    if found.parts and press.button("Save these parts in the register", key="parts_keep"):
        kept = found.parts

        def keep(shop: Shop) -> None:
            for each in kept:
                shop.register.save_part(each)

        shop_access.ask(keep)
        saved.tell(f"Saved: {formatting.count(len(kept), 'part')}.")
        st.rerun()
    return list(found.parts)


def short_rows(made: BuyPlan, system: units.System) -> pd.DataFrame:
    """Return what is short as a table, one part a row."""
    return pd.DataFrame(
        [
            {
                "part": each.part.name,
                "count": each.count,
                "width_mm": each.size and each.size.green.width_mm,
                "depth_mm": each.size and each.size.green.depth_mm,
                "length_mm": each.size and each.size.green_length_mm,
                "species": each.size and each.size.species,
                "why": sentence(each.reason(), system, zone=words.zone()),
            }
            for each in made.shortfalls
        ]
    )
