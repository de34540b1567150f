"""What if: everything that could be done side by side, then another use, size or confidence by hand."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

import streamlit as st

from baulk.dashboard import plan_rows, words
from baulk.dashboard.queries import shop_facts
from baulk.dashboard.sections import layout, press
from baulk.dashboard.server import page_worker
from baulk.dashboard.server.shop_access import ask
from baulk.ingest.evaluation import gather
from baulk.ingest.evaluation.document import Document
from baulk.ingest.evaluation.document_fields import sentences
from baulk.ingest.planning import timber_choices, worker_jobs
from baulk.models import text
from baulk.models.plan.choices.choice import Choices, What
from baulk.models.section import Face, Finished, Kerf, Section, from_pith_mm
from baulk.models.text import choices as text_choices
from baulk.models.units import LengthUnit, System, default_length_unit, length_mm, show_size, size_mm

STEPS: Final = 7  # that are told of while one waits


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
    found = page_worker.run(worker_jobs.evaluated, changed)
    assert isinstance(found, Document)  # noqa: S101 - what stops the work is raised
    return found


def show(found: shop_facts.TimberFacts, facts: shop_facts.ShopFacts) -> None:
    """Show what could be done, the best first, and below it the form for a change of one's own."""
    tag = found.timber.tag
    gathered = ask(lambda s: timber_choices.gather_for(s, tag, layout.now()))
    made = gathered.kept
    if made is None:
        key = f"choices-{tag}"
        press.draw("Compare what could be done", key=key, width="stretch")
        made = press.work(key, "Working it out...", lambda: _work_out(gathered))
    if made is None:
        st.caption("Leave, rough out, square, kerf, coat, move, another use, side by side; some seconds.")
    else:
        compared(made, facts.system)
    st.subheader("A change of your own", anchor=False)
    form(found, facts)


def _work_out(gathered: timber_choices.Gathered) -> Choices:
    """Work the choices out while it is said which is worked out, and keep them."""
    bar = st.progress(0.0)
    asked: list[What] = []

    def told(what: What) -> None:
        asked.append(what)
        bar.progress(len(asked) / STEPS, f"Working out: {text_choices.NAMES[what]}")

    made = page_worker.run(worker_jobs.compared, gathered, told=told)
    bar.empty()
    ask(lambda s: timber_choices.keep(s, gathered, made))
    return made


def compared(made: Choices, system: System) -> None:
    """Show what could be done, the best first.

    Parameters
    ----------
    made : Choices
        As worked out or kept.
    system : {"inch", "metric"}
        The reader's units.
    """
    zone = words.zone()
    st.markdown(f"**{words.md(text.sentence(made.headline, system, zone=zone))}**")
    layout.cards(*plan_rows.known(plan_rows.CHOICE_HEADS, plan_rows.choices(made.own, system)), tight=True)
    if made.other_uses:
        st.markdown("For another use")
        others = plan_rows.choices(made.other_uses, system)
        layout.cards(*plan_rows.known(plan_rows.CHOICE_HEADS, others), tight=True)
    st.caption("The same number before two of them: they differ by less than is known.")
    with st.expander("What decides, and what can't be worked out", key=f"choices-why-{made.tag}"):
        lines = [plan_rows.decides(each, system) for each in (*made.own, *made.other_uses)]
        lines += text.sentences((*made.unanswered, *made.notes), system, zone=zone)
        st.markdown("\n".join(f"- {line}" for line in words.mds(lines)))


def form(found: shop_facts.TimberFacts, facts: shop_facts.ShopFacts) -> None:
    """Ask what is to be different, and say what it would change."""
    timber, tag = found.timber, found.timber.tag
    settings, uses = ask(lambda s: (s.config.verdict, s.woods.use_classes))
    size = show_size(timber.finished.width_mm, timber.finished.depth_mm, facts.system)
    with st.form(f"what_if-{tag}", border=False):
        left, right = st.columns(2)
        use = left.selectbox(
            "Use instead", uses.names(), index=uses.names().index(found.use.name),
            format_func=lambda n: uses.get(n).title, key=f"if_use-{tag}",
        )  # fmt: skip
        typed = right.text_input("Finished size instead", size, key=f"if_size-{tag}")
        sure = left.slider(
            "How sure it must be, %", 50, 99, round(100 * settings.probability), key=f"if_sure-{tag}"
        )
        days = right.number_input(
            "Days in the shop's air after squaring", 0, 3650, round(settings.build_days), 30,
            key=f"if_days-{tag}",
        )  # fmt: skip
        face = left.selectbox("Relief kerf in face", ("none", *Face), key=f"if_kerf-{tag}")
        deep = right.text_input("Depth of the kerf; empty: to the heart", "", key=f"if_kerf_depth-{tag}")
        press.submit("Calculate", key=f"if_go-{tag}")

    def changed() -> tuple[Document, datetime]:
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
        return answer(tag, change, now), now

    with layout.errors_as_sentences():
        made = press.answer(f"if_go-{tag}", facts.system, "Working it out...", changed)
        if made is not None:
            say(*made, facts.system)


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
    st.caption(
        f"Worked out {words.clock(now)}. Nothing of this is kept; the timber's own verdict stands above."
    )
