"""How earlier plans of a room's air came out, in a fold of its page, and the button that follows one."""

from __future__ import annotations

import streamlit as st

from baulk.dashboard import plan_rows, words
from baulk.dashboard.queries.shop_facts import ShopFacts
from baulk.dashboard.sections import layout, plans_used, press, saved
from baulk.dashboard.server.shop_access import ask
from baulk.ingest.planning import kept_air, kept_promises
from baulk.ingest.shop import Shop
from baulk.models import text, units
from baulk.models.errors import OutOfRange
from baulk.models.plan.humidity import said_back
from baulk.models.plan.humidity.air_plan import AirPlan
from baulk.models.plan.humidity.promise import Followed, Promise


def follow(place: str, made: AirPlan) -> None:
    """Draw the button that says that the plan shown is followed, or say that it is.

    Parameters
    ----------
    place : str
        The room.
    made : AirPlan
        Its plan.
    """
    kept = ask(lambda s: kept_promises.of(s, place, made.made_utc))
    if kept is not None and kept.followed is not None:
        by = f" by {kept.followed.by}" if kept.followed.by else ""
        st.caption(words.md(f"Followed{by} since {words.clock(kept.followed.at_utc)}."))
        return
    key = f"air-follow-{place}"
    offered = made.alternatives[made.offered]
    who = st.text_input("Who follows it", key="air_follow_by", placeholder="Ann")
    if press.button("Follow this plan", key=key, width="stretch"):
        promise = ask(lambda s: _follow(s, place, who))
        saved.tell(
            f"The plan of {place} is followed: {plan_rows.name(offered).lower()}.",
            lambda: _back(place, promise, kept),
        )
        st.rerun()


def _follow(shop: Shop, place: str, who: str) -> Promise:
    kept = kept_air.made(shop, place)  # without what earlier plans teach, which the page shows
    if kept is None or kept.plan is None:
        raise OutOfRange(f"the air of {place}", "has no plan yet")
    return kept_promises.follow(shop, kept.plan, Followed(by=who.strip(), at_utc=layout.now()))


def _back(place: str, promise: Promise, before: Promise | None) -> str:
    ask(lambda s: kept_promises.unfollow(s, promise, before))
    return f"The plan of {place} is not followed any more."


def earlier(place: str, facts: ShopFacts) -> None:
    """Say how earlier plans came out, and what that teaches the next.

    Parameters
    ----------
    place : str
        The room.
    facts : ShopFacts
        Units to show.
    """
    found = ask(lambda s: kept_promises.back(s, place, layout.now()))
    if not found.plans:
        st.caption("No plan is kept yet; the first of each week is, and any that is followed.")
        return
    reader = units.temperature_system(facts.temperature)
    for each in (found.lesson, found.checks):
        if each is not None:
            st.markdown(words.md(text.sentence(each.reason, reader, zone=words.zone())))
    for each_plan in said_back.told(found.plans):
        head, *rest = words.mds(text.sentences(said_back.said(each_plan), reader, zone=words.zone()))
        st.markdown(f"**{head}**\n\n" + "\n".join(f"* {each}" for each in rest))
    if any(each.promise.by_week for each in found.plans):  # else nothing stands against it
        plans_used.form(place)
