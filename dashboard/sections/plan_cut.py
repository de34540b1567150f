"""Where a piece lies in a timber: the ways to cut it and the drawing first, then what was asked."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import streamlit as st

from baulk.dashboard import words
from baulk.dashboard.printing import saw_drawing
from baulk.dashboard.queries import shop_facts
from baulk.dashboard.sections import joint_gap, layout, plan_shared
from baulk.dashboard.sections.plan_shared import SHORT, mm, say, wish_of
from baulk.dashboard.server import shop_access
from baulk.ingest.planning import sawing
from baulk.models import units
from baulk.models.formatting import show_movement, show_signed
from baulk.models.plan.sawing.cutting import CutPlan
from baulk.models.plan.sawing.order import MILL_STEPS_MM, Order
from baulk.models.text import sentence, sentences
from baulk.models.timber import CORNERS

PIECES: Final = {False: "one piece", True: "as many pieces as will come out"}


def from_timber(system: units.System) -> None:
    """Show the ways to cut one timber, and the sentence that asks for it."""
    tags = shop_facts.tags()
    if not tags:
        layout.no_timber()
        return
    answer = st.container()
    asked, order = _asked(tags, system)
    made = shop_access.ask(lambda shop: sawing.cut_in(shop, asked, order, units.default_length_unit(system)))
    with answer:
        which = _answer(made, system)
    for line in words.mds(sentences(made.refused, system, zone=words.zone())):
        st.markdown(line)
    if made.sweep.part_mm or made.sweep.timber_mm:
        st.markdown(words.md(sentence(made.sweep.reason(), system, zone=words.zone())))
    plan_shared.drawing_to_take(saw_drawing.of_cut(made, system, which), f"{made.stock.name}-saw")
    plan_shared.told(made)
    joint_gap.part(made.stock.name, system)


def _answer(made: CutPlan, system: units.System) -> int:
    """Show the ways, and the drawing of the one that is chosen; return which that is."""
    names = [
        f"{i}. {sentence(choice.name, system, zone=words.zone())}"
        for i, choice in enumerate(made.choices, start=1)
    ]
    left, right = st.columns([2, 3], gap="large")
    with left:
        only = len(names) == 1
        chosen = names[0] if only else st.radio("Way to cut it", names, key="cut_choice") or names[0]
        which = names.index(chosen)
        plan_shared.drawing(saw_drawing.of_cut(made, system, which))
    with right:
        layout.table(
            ("way", "moves", "size changes", "checks open", "wood used"),
            [
                (
                    name if choice.holds else f"{name}; its size would be lost",
                    show_movement(choice.largest_mm, system),
                    show_signed(choice.change_mm, system),
                    show_movement(max(each.check_mm for each in choice.pieces), system),
                    f"{100 * choice.used_share(made.stock.section):.0f} %",
                )
                for name, choice in zip(names, made.choices, strict=True)
            ],
        )
    return which


def _asked(tags: tuple[str, ...], system: units.System) -> tuple[sawing.Asked, Order]:
    """Ask in one sentence what is to be cut out of which timber."""
    inch = system == "inch"
    with plan_shared.sentence_of_inputs("cut"):
        say("Out of")
        tag = str(st.selectbox("Timber", tags, key="cut_tag", label_visibility="collapsed", width=150))
        say("cut")
        pieces = st.selectbox(
            "Pieces", list(PIECES), format_func=PIECES.__getitem__, key="cut_pieces",
            label_visibility="collapsed", width=260,
        )  # fmt: skip
        say("of")
        finished = st.text_input(
            "Finished size", key="cut_finished", placeholder="its own size", label_visibility="collapsed",
            width=SHORT,
        )  # fmt: skip
        say("finished and")
        length = st.text_input(
            "Finished length", key="cut_length", placeholder="all of it", label_visibility="collapsed",
            width=SHORT,
        )  # fmt: skip
        say("long.")
    with st.popover("Curves, wane, shakes and knots"):
        one, two = st.columns(2)
        sweep = one.text_input(
            "Curve of the part, at the middle", key="cut_sweep", placeholder="2 in" if inch else "50 mm"
        )
        bow = two.text_input("The timber's own sweep", key="cut_bow", placeholder="as usual")
        columns = st.columns(4)
        corners = [
            (
                name,
                column.text_input(f"Wane at corner {name}", key=f"cut_{name}", placeholder="across x down"),
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
    return asked, replace(order, confidence=plan_shared.as_verdicts(99) / 100)
