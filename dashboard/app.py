"""The pages' entry: which pages there are, and what stands around all of them."""

from __future__ import annotations

from pathlib import Path

import streamlit as st

from baulk.dashboard.queries import shop_facts
from baulk.dashboard.sections import layout, login, saved
from baulk.dashboard.server import preferences

HERE = Path(__file__).parent

st.set_page_config(page_title="Baulk", layout="wide", initial_sidebar_state="collapsed")

# The paths stand in server/shell.py and app.js too, which answer before this script runs.
YARD = st.Page(HERE / "views" / "yard.py", title="Yard", url_path="yard", default=True)
TIMBER = st.Page(HERE / "views" / "timber.py", title="Timber", url_path="timber")
ADD = st.Page(HERE / "views" / "arrival.py", title="Add timber", url_path="add")
REST = [
    st.Page(HERE / "views" / "readings.py", title="Readings", url_path="readings"),
    st.Page(HERE / "views" / "air.py", title="Shop air", url_path="air"),
    st.Page(HERE / "views" / "plans.py", title="Plans", url_path="plans"),
    st.Page(HERE / "views" / "health.py", title="Sensors", url_path="sensors"),
]
GUIDE = st.Page(HERE / "views" / "guide.py", title="Guide", url_path="guide")
WALK = '<a class="b-menu" href="/field/walk" target="_self">Walk</a>'
ADD_HERE = '<a class="b-menu" href="/field/add" target="_self">Add</a>'  # on a phone, also without signal
page = st.navigation([YARD, TIMBER, ADD, *REST, GUIDE], position="hidden")
st.set_page_config(page_title=f"{page.title} · Baulk")


def menu() -> None:
    """Draw the menu: a row of words, or four at the bottom of a phone, within reach of a thumb, with More."""
    preferences.keep_changed()
    with st.container(horizontal=True, gap="small", key="menu"):
        with st.container(horizontal=True, gap="small", key="menu-wide"):
            for each in (YARD, TIMBER, ADD, *REST):
                st.page_link(each)
            st.html(WALK)
        with st.container(horizontal=True, gap="small", key="menu-phone"):
            st.page_link(YARD)
            st.html(WALK)
            st.html(ADD_HERE)
        with st.popover("More", key="more"):
            with st.container(gap=None, key="menu-more"):
                for each in (*REST, TIMBER, ADD):
                    st.page_link(each)
            with st.container(gap=None, key="menu-guide"):
                st.page_link(GUIDE)
            preferences.choices(facts.system, facts.temperature, login.leave)


with layout.errors_as_sentences():
    facts = shop_facts.facts()  # a shop that cannot be opened says so once, above every page
    if login.open_for_this_person():
        menu()
        saved.show()
        page.run()
