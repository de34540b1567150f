"""The pages' entry: which pages there are, and what stands around all of them."""

from __future__ import annotations

from pathlib import Path

import streamlit as st

from baulk.dashboard.queries import shop_facts
from baulk.dashboard.sections import layout, login
from baulk.dashboard.server import preferences

HERE = Path(__file__).parent

st.set_page_config(page_title="Baulk", page_icon="■", layout="wide", initial_sidebar_state="collapsed")
st.html(HERE / "app.css")

PAGES = [
    st.Page(HERE / "views" / "yard.py", title="Yard", url_path="start", default=True),
    st.Page(HERE / "views" / "timber.py", title="Timber", url_path="timber"),
    st.Page(HERE / "views" / "arrival.py", title="Arrival", url_path="arrival"),
    st.Page(HERE / "views" / "readings.py", title="Readings", url_path="readings"),
    st.Page(HERE / "views" / "air.py", title="Shop air", url_path="air"),
    st.Page(HERE / "views" / "plans.py", title="Sawing and buying", url_path="plans"),
    st.Page(HERE / "views" / "health.py", title="Health", url_path="health"),
]
# the first page has no path of its own; whoever types or keeps the address /yard comes to it all the same
BY_NAME = st.Page(HERE / "views" / "yard.py", title="Yard", url_path="yard")
SHORT = {"air": "Air", "plans": "Plans"}  # two rows of words are enough on a phone
page = st.navigation([*PAGES, BY_NAME], position="hidden")
with layout.errors_as_sentences():
    facts = shop_facts.facts()  # a shop that cannot be opened says so once, above every page
    if login.open_for_this_person():
        # The built-in menu folds to a bare arrow on a phone; words in a row are found with wet gloves.
        with st.container(horizontal=True, gap="small", key="menu"):
            for each in PAGES:
                st.page_link(each, label=SHORT.get(each.url_path))
            preferences.choices(facts.system, facts.temperature, login.leave)
        if page.url_path == BY_NAME.url_path:
            st.switch_page(PAGES[0])
        page.run()
