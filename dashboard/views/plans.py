"""Sawing and buying: the green size of a part, its place in a timber, and a parts list against the yard."""

from __future__ import annotations

import base64
import io
from dataclasses import replace
from typing import Any

import pandas as pd
import streamlit as st

from baulk.dashboard import typed, words
from baulk.dashboard.charts import allowance_stack
from baulk.dashboard.printing import saw_drawing
from baulk.dashboard.printing.mill_list import mill_csv
from baulk.dashboard.queries import shop_facts
from baulk.dashboard.sections import address, downloads, joint_gap, layout, saved, which_wood
from baulk.dashboard.server import shop_access
from baulk.ingest.evaluation import curves
from baulk.ingest.planning import sawing
from baulk.ingest.shop import Shop
from baulk.models import formatting, units
from baulk.models.errors import BaulkError
from baulk.models.formatting import show_movement, show_signed
from baulk.models.plan.buying import buy, parts
from baulk.models.plan.buying.purchase import BuyPlan, Wish
from baulk.models.plan.sawing import allowance
from baulk.models.plan.sawing.cutting import CutPlan
from baulk.models.plan.sawing.order import MILL_STEPS_MM, Order, SizePlan
from baulk.models.text import sentence, sentences

HEARTS = {"boxed": "boxed at the centre", "free": "outside the piece", "offset": "inside, off centre"}
WANTED = {"any": "wherever it falls", "boxed": "boxed", "free": "outside"}
# of each plan what it is called, and its name in the address
WAYS = {
    "order": ("Size to order", "sizes"),
    "timber": ("From a timber", "sawing"),
    "parts": ("Parts and buying", "buying"),
}
CORNERS = ("ab", "bc", "cd", "da")


def told(made: SizePlan | CutPlan | BuyPlan) -> None:
    """Show what a plan assumes, what would change it, and what to mind."""
    system = shop_facts.facts().system
    st.warning("\n\n".join(words.mds(sentences(made.cautions, system, zone=words.zone()))))
    downloads.offer_plan(made)
    with st.expander("Assumptions, and what would change the plan"):
        st.markdown(
            "\n".join(
                f"- {line}" for line in words.mds(sentences(made.assumptions, system, zone=words.zone()))
            )
        )
        if changes := words.mds(sentences(made.would_change, system, zone=words.zone())):
            st.markdown("**What would change it**\n\n" + "\n".join(f"- {line}" for line in changes))


def drawing(sheet: saw_drawing.Sheet, name: str) -> None:
    """Show a drawing, to be taken along as SVG or PDF."""
    svg, lines = sheet.screen()
    seen = base64.b64encode(svg.encode()).decode()
    st.html(
        f'<img class="b-drawing" src="data:image/svg+xml;base64,{seen}" '
        f'alt="The butt end to scale with face a up. {words.esc(" ".join(lines))}">'
    )
    st.caption("  \n".join(words.mds(lines)))
    one, two = st.columns(2)
    one.download_button(
        "Drawing as PDF", sheet.pdf(), f"{name}.pdf", "application/pdf", key=f"{name}_pdf", width="stretch"
    )
    two.download_button(
        "Drawing as SVG", sheet.svg(), f"{name}.svg", "image/svg+xml", key=f"{name}_svg", width="stretch"
    )


def mm(text: str, system: units.System, *, signed: bool = False) -> float | None:
    """Read a length that may be left empty, in the person's own unit when it has none."""
    plain = text.strip()
    if not plain:
        return None
    if plain == "0":
        return 0.0
    return units.length_mm(plain, bare=units.default_length_unit(system), signed=signed)


def wish_of(finished: str, length: str, system: units.System, **more: Any) -> Order:  # noqa: ANN401 - passed on
    """Make an order of what was typed."""
    width, depth = units.size_mm(finished, bare=units.default_length_unit(system))
    across, along = MILL_STEPS_MM[system]
    return Order(
        width_mm=width,
        depth_mm=depth,
        length_mm=typed.along_mm(length, system),
        step_mm=across,
        length_step_mm=along,
        **more,
    )


def as_verdicts(most: int) -> int:
    """Return how sure the shop wants its verdicts, so that its sizes are those of its plans, in percent."""
    return min(round(100 * shop_facts.facts().probability), most)


def to_order(system: units.System) -> None:
    """Show the form and the answer of a green size."""
    sentence_of, known = _order_sentence(system)
    with st.expander(sentence_of, expanded=not known, key=f"plan-inputs-{known}"):
        asked = _order_inputs(system)
    if asked is None:
        st.caption("Type the finished size and length and choose the species.")
        return
    order, kind, use = asked
    made = allowance.size(
        order, shop_facts.woods().species.get(kind), shop_facts.woods().use_classes.get(use)
    )
    first, *rest = words.mds(sentences(made.lines(), system, zone=words.zone()))
    st.markdown(f"**{first}**")
    left, right = st.columns([2, 3], gap="large")
    with left:
        drawing(saw_drawing.of_size(made, system), "green-size")
    with right:
        stack = allowance_stack.chart(made, system)
        finding = allowance_stack.finding(made, system)
        st.markdown(words.md(finding))
        st.altair_chart(stack, width="stretch", key="allowance-stack", alt=finding)
        for line in rest:
            st.markdown(line)
        with st.expander("Each allowance", key="allowances"):
            layout.table(
                ("allowance for", "width", "depth"),
                [
                    (
                        f"{term.name} ({term.mark})",
                        show_movement(term.width_mm, system),
                        show_movement(term.depth_mm, system),
                    )
                    for term in made.terms
                ],
            )
            downloads.offer_table("allowance", lambda: downloads.rows(made.terms, system), key="terms")
        told(made)


def _size(text: str, system: units.System) -> str:
    """Return a size as it was typed in the reader's units; what can't be read as it is."""
    try:
        return units.show_size(*units.size_mm(text, bare=units.default_length_unit(system)), system)
    except BaulkError:
        return text


def _across(text: str, system: units.System) -> str:
    """Return a small length in the reader's units; what can't be read as it was typed."""
    try:
        return units.show_length(
            units.length_mm(text, bare=units.default_length_unit(system), signed=True), system
        )
    except BaulkError:
        return text


def _along(text: str, system: units.System) -> str:
    """Return a length along the grain in the reader's units; what can't be read as it was typed."""
    try:
        return formatting.show_along(typed.along_mm(text, system), system)
    except BaulkError:
        return text


def _order_sentence(system: units.System) -> tuple[str, bool]:
    """Return what is asked in one sentence, to be opened and edited, and whether it is whole."""
    state = st.session_state
    finished, length = (str(state.get(f"plan_{each}") or "").strip() for each in ("finished", "length"))
    kind = str(state.get("plan_species") or "").strip()
    if not (finished and length and kind):
        return "What is wanted", False
    use = shop_facts.woods().use_classes.get(state["plan_use"]).title if "plan_use" in state else ""
    heart = HEARTS[state.get("plan_heart", "boxed")]
    size = f"{_size(finished, system)}, {_along(length, system)} long"
    asked = f"{size}, of {kind}, for {use.lower()}, pith {heart}; edit"
    return words.md(asked), True


def _order_inputs(system: units.System) -> tuple[Order, str, str] | None:
    """Ask for a size; return the order, the wood and the use once enough of it is said."""
    inch, woods = system == "inch", shop_facts.woods()
    one, two, three = st.columns(3)
    finished = one.text_input(
        "Finished size, across x deep", key="plan_finished", placeholder="6 x 6" if inch else "150 x 150"
    )
    length = two.text_input("Finished length", key="plan_length", placeholder="10 ft" if inch else "3 m")
    with three:
        kind = which_wood.choose("Species", woods.species, key="plan_species", placeholder="choose or type")
    one, two, three = st.columns(3)  # a second row, so that a phone keeps their order
    use = one.selectbox(
        "Where it will live",
        woods.use_classes.names(),
        key="plan_use",
        format_func=lambda n: woods.use_classes.get(n).title,
    )
    heart = two.selectbox("Pith", list(HEARTS), key="plan_heart", format_func=HEARTS.__getitem__)
    sure = three.slider("Pieces that hold the size, %", 50, 99, as_verdicts(99), key="plan_sure") / 100
    with st.popover("The shop's own bow, saw cut, planing, wane"):
        four = st.columns(4)
        names = ("Bow over the length", "Saw cut", "Planed off each face", "Wane at a corner")
        bow, kerf, planing, wane = (
            mm(column.text_input(name, key=f"plan_{name.split(' ', maxsplit=1)[0].lower()}"), system)
            for column, name in zip(four, names, strict=True)
        )
    if not (finished.strip() and length.strip() and kind):
        return None
    more: dict[str, Any] = {"placement": heart, "confidence": sure, "bow_mm": bow, "crook_mm": bow}
    more |= {"kerf_mm": kerf} if kerf is not None else {}
    more |= {"planing_mm": planing} if planing is not None else {}
    more |= {"wane_mm": wane} if wane is not None else {}
    order = wish_of(finished, length, system, seen=shop_access.ask(curves.measured), **more)
    return order, kind, use


def from_timber(system: units.System) -> None:
    """Show the form and the answer of cutting one timber."""
    inch, tags = system == "inch", shop_facts.tags()
    if not tags:
        st.info("No timber is entered yet.")
        st.html('<p class="b-links"><a href="/add" target="_self">Add timber</a></p>')
        return
    tag = st.selectbox("Timber", tags, key="cut_tag")
    with st.expander(_cut_sentence(system), key="cut-inputs"):
        one, two = st.columns(2)
        finished = one.text_input(
            "Finished size",
            key="cut_finished",
            placeholder="its own",
            help="Empty: the size it was entered for.",
        )
        length = two.text_input("Finished length", key="cut_length", placeholder="all of it")
        one, two, three = st.columns(3)
        sweep = one.text_input(
            "Curve of the part, at the middle", key="cut_sweep", placeholder="2 in" if inch else "50 mm"
        )
        bow = two.text_input("The timber's own sweep", key="cut_bow", placeholder="as usual")
        pieces = three.checkbox("As many pieces as will come out", key="cut_pieces")
        with st.popover("Wane, shakes and knots"):
            columns = st.columns(4)
            corners = [
                (
                    name,
                    column.text_input(
                        f"Wane at corner {name}", key=f"cut_{name}", placeholder="across x down"
                    ),
                )
                for name, column in zip(CORNERS, columns, strict=True)
            ]
            defects = st.text_area(
                "Shakes and knots, one a line: x, y, width, height",
                key="cut_defects",
                help="x to the right and y up from the centre of the butt end; lower left corner first.",
            )
    across, along = MILL_STEPS_MM[system]
    order = (
        wish_of(finished or "4 x 4 in", length or "1 m", system)
        if finished.strip() or length.strip()
        else Order(width_mm=100, depth_mm=100, length_mm=1000, step_mm=across, length_step_mm=along)
    )
    asked = sawing.Asked(
        tag=tag,
        finished=bool(finished.strip()),
        length=bool(length.strip()),
        corners=tuple(f"{name} {text}" for name, text in corners if text.strip()),
        defects=tuple(line for line in defects.splitlines() if line.strip()),
        bow_mm=mm(bow, system, signed=True),
        sweep_mm=mm(sweep, system) or 0.0,
        pieces=pieces,
    )
    order = replace(order, confidence=as_verdicts(99) / 100)
    made = shop_access.ask(lambda shop: sawing.cut_in(shop, asked, order, units.default_length_unit(system)))
    names = [
        f"{i}. {sentence(choice.name, system, zone=words.zone())}"
        for i, choice in enumerate(made.choices, start=1)
    ]
    chosen = st.radio("Way to cut it", names, key="cut_choice", horizontal=True) or names[0]
    which = names.index(chosen)
    left, right = st.columns([2, 3], gap="large")
    with left:
        drawing(saw_drawing.of_cut(made, system, which), f"{made.stock.name}-saw")
    with right:
        layout.table(
            ("way", "moves", "size", "checks", "used"),
            [
                (
                    name if choice.holds else f"{name}; its size would be lost",
                    show_movement(choice.largest_mm, system),
                    show_signed(choice.change_mm, system),
                    show_movement(max(each.check_mm for each in choice.pieces), system),
                    f"{choice.used_share(made.stock.section):.0%}",
                )
                for name, choice in zip(names, made.choices, strict=True)
            ],
        )
        for line in words.mds(sentences(made.refused, system, zone=words.zone())):
            st.markdown(line)
        if made.sweep.part_mm or made.sweep.timber_mm:
            st.markdown(words.md(sentence(made.sweep.reason(), system, zone=words.zone())))
        told(made)
    joint_gap.part(tag, system)


def _cut_sentence(system: units.System) -> str:
    """Return what is to be cut in one sentence, to be opened and edited."""
    state = st.session_state
    finished, length, sweep = (
        str(state.get(f"cut_{each}") or "").strip() for each in ("finished", "length", "sweep")
    )
    what = "as many pieces as will come out" if state.get("cut_pieces") else "one piece"
    size = _size(finished, system) if finished else "the size it was entered for"
    along = _along(length, system) if length else "all of its length"
    curve = f", curved by {_across(sweep, system)}" if sweep else ""
    return words.md(f"Cut {what} of {size}, {along}{curve}; edit")


def parts_wanted(system: units.System) -> list[parts.Part]:
    """Show the list of parts, from a file or from the register, to be written over; return what is wanted."""
    given = st.file_uploader(
        "Parts list as CSV",
        type=["csv", "txt"],
        key="parts_file",
        help=f"Columns: {parts.COLUMNS}.",
        max_upload_size=1,
    )
    listed = shop_access.ask(lambda shop: shop.register.parts())
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
    if found.parts and st.button("Save these parts in the register", key="parts_keep"):
        kept = found.parts

        def keep(shop: Shop) -> None:
            for each in kept:
                shop.register.save_part(each)

        shop_access.ask(keep)
        saved.tell(f"{len(kept)} parts are saved.")
        st.rerun()
    return list(found.parts)


def buying(system: units.System) -> None:
    """Show the parts, the assignment and the list for the mill."""
    wanted, woods = parts_wanted(system), shop_facts.woods()
    one, two, three = st.columns(3)
    with one:
        kind = which_wood.choose(
            "Wood to buy where a part names none",
            woods.species,
            key="buy_species",
            placeholder="choose or type",
        )
    sure = two.slider("Confidence of sizes and dates, %", 50, 95, as_verdicts(95), key="buy_sure") / 100
    wait = three.number_input(
        "A week's wait for a part costs as much as", 0.0, 10.0, 0.0, 0.01, key="buy_wait",
        help="In cubic metres of wasted wood; 0: nothing may be late.",
    )  # fmt: skip
    if not wanted:
        return
    now_utc = layout.now()
    across, along = MILL_STEPS_MM[system]
    wish = Wish(
        confidence=sure,
        species=kind,
        wait_per_week=wait or None,
        step_mm=across,
        length_step_mm=along,
        seen=shop_access.ask(curves.measured),
    )
    yard, air = shop_access.ask(lambda shop: (sawing.yard(shop, sure), sawing.futures(shop, now_utc, wanted)))
    with st.spinner("Assigning parts to timbers and drying what is short"):
        made = buy.buy(wanted, yard, wish, now_utc=now_utc, air=air, woods=woods)
    st.markdown(f"**{words.md(sentence(made.yard_gives(), system, zone=words.zone()))}**")
    taken = [each.reason() for each in made.assignments]
    for line in words.mds(
        sentences((*taken, *(each.reason() for each in made.shortfalls)), system, zone=words.zone())
    ):
        st.markdown(f"- {line}")
    downloads.offer_table(
        "parts",
        lambda: downloads.rows(made.assignments, system) if made.assignments else short_rows(made, system),
        key="assignments",
    )
    if made.mill:
        st.header("For the mill", anchor=False)
        for line in words.mds(sentences([each.reason() for each in made.mill], system, zone=words.zone())):
            st.markdown(f"- {line}")
        st.download_button(
            "List for the mill as CSV", mill_csv(made, system), "mill.csv", "text/csv", key="mill_csv"
        )
    told(made)


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


def _addressed() -> str:
    """Return the plan that the address names, the first without one."""
    named = address.get("plan")
    return next((way for way, (_, name) in WAYS.items() if name == named), "order")


def page() -> None:
    """Show the three plans, each at an address of its own."""
    system = shop_facts.facts().system
    layout.title("Plans")
    way = st.segmented_control(
        "Plan", list(WAYS), format_func=lambda each: WAYS[each][0], default=_addressed(), key="plan_way",
        label_visibility="collapsed",
    )  # fmt: skip
    address.set(plan=WAYS[way][1] if way else None)
    with layout.errors_as_sentences():
        if way == "timber":
            from_timber(system)
        elif way == "parts":
            buying(system)
        else:
            to_order(system)


page()
