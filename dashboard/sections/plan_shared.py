"""What the plans share: their sentence of inputs, what is assumed, files to take along, typed lengths."""

from __future__ import annotations

import base64
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, Final

import streamlit as st

from baulk.dashboard import typed, words
from baulk.dashboard.printing.sheet import Sheet
from baulk.dashboard.queries import shop_facts
from baulk.dashboard.sections import plan_paper
from baulk.models import units
from baulk.models.plan.buying.purchase import BuyPlan
from baulk.models.plan.sawing.cutting import CutPlan
from baulk.models.plan.sawing.order import MILL_STEPS_MM, Order, SizePlan
from baulk.models.text import sentences

SHORT: Final = 118  # px, of an input within the sentence: a size, a length
LONG: Final = 312  # a wood with its other name, a use; as much as a phone has room for


@contextmanager
def sentence_of_inputs(key: str) -> Iterator[None]:
    """Set words and inputs in one line of text, as a sentence whose words can be changed.

    Parameters
    ----------
    key : str
        Tells the sentences of the plans apart.
    """
    with st.container(horizontal=True, gap=None, vertical_alignment="center", key=f"plan-ask-{key}"):
        yield


def say(text: str) -> None:
    """Set words of the sentence between its inputs."""
    st.html(f'<span class="b-ask">{words.esc(text)}</span>', width="content")


def sure_of(label: str, most: int, *, key: str) -> float:
    """Ask within a sentence of how many pieces in a hundred it shall hold; return the share."""
    first = as_verdicts(most)
    shares = sorted({first, *(each for each in (50, 75, 80, 90, 95, 99) if each <= most)})
    chosen = st.selectbox(
        label, shares, shares.index(first), key=key, format_func=lambda n: f"{n} of 100 pieces",
        label_visibility="collapsed", width=190,
    )  # fmt: skip
    return chosen / 100


def told(made: SizePlan | CutPlan | BuyPlan) -> None:
    """Show what a plan assumes, what would change it, and what to mind."""
    system = shop_facts.facts().system
    st.warning("\n\n".join(words.mds(sentences(made.cautions, system, zone=words.zone()))))
    plan_paper.offer_plan(made)
    with st.expander("Assumptions, and what would change the plan"):
        st.markdown(
            "\n".join(
                f"- {line}" for line in words.mds(sentences(made.assumptions, system, zone=words.zone()))
            )
        )
        if changes := words.mds(sentences(made.would_change, system, zone=words.zone())):
            st.markdown("**What would change it**\n\n" + "\n".join(f"- {line}" for line in changes))


def drawing_to_take(sheet: Sheet, name: str) -> None:
    """Offer a drawing for the saw as PDF and SVG."""
    one, two = st.columns(2)
    one.download_button(
        "Drawing as PDF", sheet.pdf(), f"{name}.pdf", "application/pdf", key=f"{name}_pdf", width="stretch"
    )
    two.download_button(
        "Drawing as SVG", sheet.svg(), f"{name}.svg", "image/svg+xml", key=f"{name}_svg", width="stretch"
    )


def drawing(sheet: Sheet) -> None:
    """Show a drawing for the saw."""
    svg, lines = sheet.screen()
    seen = base64.b64encode(svg.encode()).decode()
    st.html(
        f'<img class="b-drawing" src="data:image/svg+xml;base64,{seen}" '
        f'alt="The butt end to scale with face a up. {words.esc(" ".join(lines))}">'
    )
    st.caption("  \n".join(words.mds(lines)))


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
