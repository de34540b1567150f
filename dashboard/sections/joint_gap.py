"""The room to leave in a joint of a timber, on the page where it is sawn."""

from __future__ import annotations

from typing import Final

import streamlit as st

from baulk.dashboard import words
from baulk.dashboard.server.shop_access import ask
from baulk.ingest.planning import joints
from baulk.models import gap as gaps
from baulk.models import text
from baulk.models.gap import Joint, Rings
from baulk.models.units import System

JOINTS: Final = {
    Joint.SEAM: "edge to edge",
    Joint.GROOVE: "held at its middle in grooves",
    Joint.HOUSED: "fitted between two things",
}
RINGS: Final = {Rings.UNKNOWN: "as the pith lies", Rings.FLAT: "along it", Rings.QUARTER: "across it"}


def part(tag: str, system: System) -> None:
    """Ask what joint it is, and say what room to leave today.

    Parameters
    ----------
    tag : str
        Which timber.
    system : "inch" or "metric"
        Units of the answer.
    """
    with st.expander("Room in a joint made today", key="joint-gap"):
        one, two = st.columns(2)
        joint = one.selectbox("Joint", list(JOINTS), format_func=JOINTS.__getitem__, key="gap_joint")
        rings = two.selectbox("Rings across it", list(RINGS), format_func=RINGS.__getitem__, key="gap_rings")
        across = one.checkbox("Its depth lies across the joint", key="gap_across")
        afloat = two.checkbox("It goes under water", key="gap_afloat")
        making, other = ask(
            lambda s: joints.of_timber(s, tag, joint=joint, rings=rings, across_depth=across, afloat=afloat)
        )
        found = gaps.reasons(making, gaps.gap(making), afloat_mm=other if afloat else None)
        first, *rest = words.mds(text.sentences(found, system, zone=words.zone()))
        st.markdown("\n\n".join((f"**{first}**", *rest)))
