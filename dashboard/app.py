"""The pages' entry: which pages there are, and what stands around all of them."""

from __future__ import annotations

from collections.abc import Sequence
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
    st.Page(HERE / "views" / "files.py", title="Files", url_path="files"),
]
GUIDE = st.Page(HERE / "views" / "guide.py", title="Guide", url_path="guide")
page = st.navigation([YARD, TIMBER, ADD, *REST, GUIDE], position="hidden")
st.set_page_config(page_title=f"{page.title} · Baulk")

# Plain links in one piece of HTML, not an element of the platform for each; the script of the pages follows
# them without a new load.
WALK = ("/field/walk", "Walk")  # on a phone Add opens the page that also works without signal
WIDE = (*((f"/{each.url_path}", each.title) for each in (YARD, TIMBER, ADD, *REST)), WALK)
PHONE = (("/", YARD.title), WALK, ("/field/add", "Add"))
MORE = tuple((f"/{each.url_path}", each.title) for each in (*REST, TIMBER, ADD))


def menu() -> None:
    """Draw the menu: a row of words, or four at the bottom of a phone, within reach of a thumb, with More."""
    preferences.keep_changed()
    with st.container(horizontal=True, gap="small", key="menu"):
        st.html(menu_links("wide", WIDE) + menu_links("phone", PHONE))
        with st.popover("More", key="more"):
            st.html(menu_links("more", MORE))
            st.html(menu_links("guide", ((f"/{GUIDE.url_path}", GUIDE.title),), label="Help"))
            preferences.choices(facts.system, facts.temperature, login.leave)


def menu_links(where: str, pages: Sequence[tuple[str, str]], label: str = "Pages") -> str:
    """Return links to pages as HTML; the page's script marks the one that is shown."""
    links = "".join(f'<a href="{path}" target="_self">{title}</a>' for path, title in pages)
    return f'<nav class="b-menu b-menu-{where}" aria-label="{label}">{links}</nav>'


with layout.errors_as_sentences():
    facts = shop_facts.facts()  # a shop that cannot be opened says so once, above every page
    if login.open_for_this_person():
        menu()
        saved.show()
        page.run()
