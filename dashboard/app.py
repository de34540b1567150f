"""The pages' entry: which pages there are, and what stands around all of them."""

from __future__ import annotations

from pathlib import Path

import streamlit as st

from baulk.dashboard import data, frame

HERE = Path(__file__).parent

st.set_page_config(page_title="Baulk", page_icon="■", layout="wide", initial_sidebar_state="collapsed")
st.html(HERE / "app.css")

PAGES = [
    st.Page(HERE / "views" / "yard.py", title="Yard", url_path="yard", default=True),
    st.Page(HERE / "views" / "timber.py", title="Timber", url_path="timber"),
    st.Page(HERE / "views" / "arrival.py", title="Arrival", url_path="arrival"),
    st.Page(HERE / "views" / "air.py", title="Shop air", url_path="air"),
]
page = st.navigation(PAGES, position="hidden")
# The built-in menu folds to a bare arrow on a phone; four words in a row are found with wet gloves.
with st.container(horizontal=True, gap="small", key="menu"):
    for each in PAGES:
        st.page_link(each)
with frame.errors_as_sentences():
    data.facts()  # a shop that cannot be opened says so once, above every page
    page.run()
