"""What if: another use, another finished size, another confidence, worked out while one waits."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime

import streamlit as st

from baulk.dashboard import words
from baulk.dashboard.queries import shop_facts
from baulk.dashboard.sections import layout
from baulk.dashboard.server.shop_access import ask
from baulk.ingest.evaluation import compute, gather
from baulk.ingest.evaluation.document import Document
from baulk.ingest.evaluation.document_fields import sentences
from baulk.models.section import Face, Finished, Kerf, Section, from_pith_mm
from baulk.models.units import LengthUnit, System, default_length_unit, length_mm, show_size, size_mm


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """What is to be different.

    Parameters
    ----------
    use : str
        Use class.
    width_mm, depth_mm : float
        Finished size. [mm]
    probability : float
        How sure it has to be.
    build_days : float
        How long the squared piece stays in the shop's air. [d]
    kerf : Kerf, optional
        A relief kerf that is planned; without one as it is.
    """

    use: str
    width_mm: float
    depth_mm: float
    probability: float
    build_days: float
    kerf: Kerf | None = None


def answer(tag: str, change: Change, now: datetime) -> Document:
    """Work a timber out under a change; nothing is kept.

    Parameters
    ----------
    tag : str
        Which timber.
    change : Change
        What is different.
    now : datetime
        Now, with a time zone.

    Returns
    -------
    Document
        As a stored evaluation would be read.

    Raises
    ------
    BaulkError
        If the piece does not fit, or there can be no answer.
    """
    inputs = ask(lambda s: gather.gather(tag, s, now))  # in turn with others; the work below is not
    timber = inputs.timber
    wanted = Finished(
        width_mm=change.width_mm,
        depth_mm=change.depth_mm,
        centre_x_mm=timber.finished.centre_x_mm,
        centre_y_mm=timber.finished.centre_y_mm,
    )
    section = timber.section if change.kerf is None else replace(timber.section, kerf=change.kerf)
    changed = replace(
        inputs,
        timber=replace(timber, finished=wanted, use_class=change.use, section=section),
        use=inputs.woods.use_classes.get(change.use),
        wish=replace(inputs.wish, probability=change.probability, build_days=change.build_days),
        previous=None,
    )
    found = compute.work_out(changed).document
    assert isinstance(found, Document)  # noqa: S101 - what stops the work is raised
    return found


def form(found: shop_facts.TimberFacts, facts: shop_facts.ShopFacts) -> None:
    """Ask what is to be different, and say what it would change."""
    timber, tag = found.timber, found.timber.tag
    settings, uses = ask(lambda s: (s.config.verdict, s.woods.use_classes))
    size = show_size(timber.finished.width_mm, timber.finished.depth_mm, facts.system)
    with st.form(f"what_if-{tag}", border=False):
        left, right = st.columns(2)
        use = left.selectbox(
            "It were for", uses.names(), index=uses.names().index(found.use.name),
            format_func=lambda n: uses.get(n).title, key=f"if_use-{tag}",
        )  # fmt: skip
        typed = right.text_input("It were to finish", size, key=f"if_size-{tag}")
        sure = left.slider(
            "One had to be sure, %", 50, 99, round(100 * settings.probability), key=f"if_sure-{tag}"
        )
        days = right.number_input(
            "Days in the shop's air after squaring", 0, 3650, round(settings.build_days), 30,
            key=f"if_days-{tag}",
        )  # fmt: skip
        face = left.selectbox("A relief kerf were sawn into face", ("none", *Face), key=f"if_kerf-{tag}")
        deep = right.text_input("The kerf so deep; empty for to the heart", "", key=f"if_kerf_depth-{tag}")
        if not st.form_submit_button("Calculate", key=f"if_go-{tag}"):
            return
        with layout.errors_as_sentences(), st.spinner("Working it out..."):
            bare = default_length_unit(facts.system)
            width, depth = size_mm(typed, bare=bare)
            kerf = None if face == "none" else _kerf(timber.section, Face(face), deep, bare)
            change = Change(
                use=use,
                width_mm=width,
                depth_mm=depth,
                probability=sure / 100,
                build_days=float(days),
                kerf=kerf,
            )
            now = layout.now()
            say(answer(tag, change, now), now, facts.system)


def _kerf(section: Section, face: Face, deep: str, bare: LengthUnit) -> Kerf:
    """Return a planned kerf; where no depth is given it goes to the heart, or to the middle free of heart."""
    if deep.strip():
        return Kerf(face=face, depth_mm=length_mm(deep, bare=bare))
    to_heart = from_pith_mm(section)[face] if section.boxed_heart else section.size_mm(face) / 2
    return Kerf(face=face, depth_mm=to_heart)


def say(made: Document, now: datetime, system: System) -> None:
    """Say the verdict under the change."""
    judged = made.verdict
    told = words.judged(judged)
    st.markdown(f"**{told.shape} {told.word}** - {words.md(told.sentence)}")
    layout.figures(
        [
            (
                words.STEPS[step].word,
                words.step_from(judged, step, now),
                f"{sure} sure today" if (sure := words.sure(judged, step)) else "",
            )
            for step in judged.dates
            if step in words.STEPS
        ]
    )
    reasons = sentences(judged.reasons_coded, judged.reasons, system, zone=words.zone())
    st.markdown("\n".join(f"- {reason}" for reason in words.mds(reasons[:3])))
    st.caption("Nothing of this is kept; the timber's own verdict stands above.")
