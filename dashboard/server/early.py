"""What a page's browser may fetch with its HTML, before the platform's script finds out that it needs it.

The platform loads a script for each kind of element when the first of the kind arrives: at that moment the
server is at work on the page, and the browser waited half a second for a few kilobytes. Named in the HTML
they come while the server has nothing else to do.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path
from typing import Final

from streamlit import file_util

# What the first screen of each page is made of, by the names of the platform's scripts. A name that another
# version of it no longer has is passed over: the page then loads as it did.
_EVERYWHERE: Final = ("Html", "purify.es")
_FIRST: Final = {
    "/": ("TextInput",),
    "/timber": ("Button", "Selectbox"),
    "/add": ("TextInput", "Selectbox"),
    "/readings": ("Button", "Selectbox", "TextInput"),
    "/air": ("Button", "Selectbox"),
    "/plans": ("ButtonGroup", "TextInput", "Selectbox"),
    "/sensors": ("Button",),
    "/files": ("ButtonGroup", "Selectbox", "TextInput"),
    "/guide": ("TextInput",),
}
_NEEDS: Final = re.compile(
    r'(?:from|import)"\./([\w.-]+\.js)"'
)  # not import("..."), which is asked for later
# The platform's own typeface, which its HTML fetches first; app.css sees to it that nothing is set in it.
_TYPEFACE: Final = re.compile(r'<link\s+rel="preload"[^>]*as="font"[^>]*>')


def without_typeface(html: str) -> str:
    """Return the platform's HTML without the typeface that no page of ours shows."""
    return _TYPEFACE.sub("", html)


@lru_cache(maxsize=len(_FIRST))
def links(path: str, html: str) -> str:
    """Return what the head of a page's HTML names to be fetched at once.

    Parameters
    ----------
    path : str
        Of the page, such as "/timber".
    html : str
        The platform's HTML; what it names itself is not named twice.

    Returns
    -------
    str
        A link for each script.
    """
    scripts = Path(file_util.get_static_dir()) / "static" / "js"
    found: dict[str, None] = {}
    for stem in (*_EVERYWHERE, *_FIRST.get(path, ())):
        for file in sorted(scripts.glob(f"{stem}.*.js")):
            found |= dict.fromkeys(_with_needs(file))
    return "".join(
        f'<link rel="modulepreload" crossorigin href="./static/js/{name}">'
        for name in found
        if name not in html
    )


def _with_needs(file: Path) -> Iterator[str]:
    """Give a script and every other one that it can't begin without."""
    seen, left = {file.name}, [file]
    while left:
        one = left.pop()
        yield one.name
        for name in _NEEDS.findall(one.read_text(encoding="utf-8")):
            if name not in seen and (other := one.with_name(name)).is_file():
                seen.add(name)
                left.append(other)
