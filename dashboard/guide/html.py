"""A page of the guide as HTML for the browser: links lead to pages, drawings stand in it."""

from __future__ import annotations

import base64
import re
from typing import Final
from urllib.parse import quote

from markdown_it import MarkdownIt

from baulk.dashboard.guide import book

_LINK: Final = re.compile(r'href="([\w-]+)\.md"')
_DRAWING: Final = re.compile(r'<img src="([\w-]+\.svg)"')
_PERCENT: Final = re.compile(r"(?<=\d) %(?=</td>)")  # a narrow column must not part them
_HEAD: Final = re.compile(r"<h1>.*?</h1>\n?")


def address(name: str) -> str:
    """Return the address of a page inside the pages."""
    return f"/guide?page={quote(name)}"


def body(name: str) -> str:
    """Return a page as HTML without its heading, or all of them one after the other with theirs.

    Parameters
    ----------
    name : str
        A page, or `book.ALL`.

    Returns
    -------
    str
        HTML of our own files alone.

    Raises
    ------
    NoSuchPage
        If there is none of that name.
    """
    if name == book.ALL:
        return "".join(f'<section class="b-guide-page">{_html(each.name)}</section>' for each in book.pages())
    return _HEAD.sub("", _html(name), count=1)


def _html(name: str) -> str:
    reader = MarkdownIt("commonmark", {"html": False}).enable("table")
    text = str(reader.render(book.markdown(name)))
    text = text.replace("<table>", '<div class="b-guide-table"><table class="b-table">').replace(
        "</table>", "</table></div>"
    )
    text = _PERCENT.sub("\u00a0%", text)
    text = _LINK.sub(lambda found: f'href="{address(found[1])}" target="_self"', text)
    return _DRAWING.sub(
        lambda found: (
            f'<img class="b-drawing" src="data:image/svg+xml;base64,'
            f'{base64.b64encode(book.drawing(found[1])).decode()}"'
        ),
        text,
    )
