"""The guide: its pages in a list, one of them to read or print, and the words that somebody looks for."""

from __future__ import annotations

import streamlit as st

from baulk.dashboard import words
from baulk.dashboard.guide import book, html
from baulk.dashboard.sections import address, layout


def entries(found: tuple[book.Found, ...]) -> None:
    """Show pages by their titles, with what is in them."""
    rows = "".join(
        f'<li><a href="{html.address(each.page.name)}" target="_self">{words.esc(each.page.title)}</a>'
        + "".join(f"<p>{words.esc(line)}</p>" for line in each.lines)
        + "</li>"
        for each in found
    )
    st.html(f'<ul class="b-guide-list">{rows}</ul>')


def contents() -> None:
    """Show the list of pages, or those that hold what is searched for."""
    layout.title("Guide", "From the first sensor to the verdict, what it cannot know, and what can hurt.")
    asked = st.text_input(
        "Search", address.get("search"), key="guide-search", placeholder="pins, weigh, mould", max_chars=80
    )
    address.set(search=asked.strip())
    if not asked.strip():
        entries(tuple(book.Found(page=each, lines=(each.summary,)) for each in book.pages()))
        st.html(
            f'<p><a class="b-guide-link" href="{html.address(book.ALL)}" target="_self">'
            "All pages in one, to print</a></p>"
        )
    elif found := book.search(asked):
        entries(found)
    else:
        st.caption("No page holds all of these words.")


def reading(name: str) -> None:
    """Show one page, or all of them, with the way to the next."""
    whole = name == book.ALL
    if not whole:
        name = book.page(name).name
    layout.title("Guide, all pages" if whole else book.page(name).title)
    st.html(
        '<p class="b-guide-bar"><a class="b-guide-link" href="/guide" target="_self">All pages</a>'
        '<button class="b-print" type="button">Print</button></p>'
        f'<article class="b-guide">{html.body(name)}</article>'
    )
    names = [each.name for each in book.pages()]
    if not whole and (after := names.index(name) + 1) < len(names):
        follows = book.pages()[after]
        st.html(
            f'<p><a class="b-guide-link" href="{html.address(follows.name)}" target="_self">'
            f"Next: {words.esc(follows.title)}</a></p>"
        )


if asked_page := address.get("page"):
    reading(asked_page)
else:
    contents()
