"""The guide's pages as they lie beside this file, and what is found in them.

README.md lists the pages in their order, a line each. A page is Markdown with links to other pages and to
drawings beside it. What stands in ``<!-- -->`` tells a test where a figure comes from and is not shown.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from typing import Final

from baulk.models.errors import BaulkError

ALL: Final = "all"  # in place of a page's name: every page, one after the other
_ENTRY: Final = re.compile(
    r"^- \[(?P<title>[^\]]+)\]\((?P<name>[\w-]+)\.md\): (?P<summary>.+)$", re.MULTILINE
)
_COMMENT: Final = re.compile(r"<!--.*?-->", re.DOTALL)
_MARKS: Final = re.compile(
    r"!\[([^\]]*)\]\([^)]*\)|\[([^\]]*)\]\([^)]*\)|[`*|]|^[#>-]+ |^```.*$", re.MULTILINE
)
MOST_LINES: Final = 3  # of a page that are shown where it was found


class NoSuchPage(BaulkError, LookupError):
    """The guide has no page of that name."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """A page of the guide.

    Parameters
    ----------
    name : str
        As in its address, and its file without the ending.
    title : str
        Its heading.
    summary : str
        What it is about, in a line.
    """

    name: str
    title: str
    summary: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """A page in which words were found, and its first lines that hold one of them."""

    page: Page
    lines: tuple[str, ...]


def _file(name: str) -> str:
    return (resources.files(__package__) / name).read_text(encoding="utf-8")


@lru_cache(maxsize=1)
def pages() -> tuple[Page, ...]:
    """Return every page in the order in which it is read."""
    return tuple(
        Page(name=each["name"], title=each["title"], summary=each["summary"])
        for each in _ENTRY.finditer(_file("README.md"))
    )


def page(name: str) -> Page:
    """Return the page of a name.

    Raises
    ------
    NoSuchPage
        If there is none; the sentence names those there are.
    """
    found = next((each for each in pages() if each.name == name.strip().lower().removesuffix(".md")), None)
    if found is None:
        names = ", ".join(each.name for each in pages())
        raise NoSuchPage(f"the guide has no page {name!r}; it has {names}")
    return found


@lru_cache(maxsize=64)
def markdown(name: str) -> str:
    """Return a page as Markdown, without what only tests read.

    Raises
    ------
    NoSuchPage
        If there is none of that name.
    """
    return _COMMENT.sub("", _file(f"{page(name).name}.md"))


@lru_cache(maxsize=32)
def drawing(name: str) -> bytes:
    """Return a drawing beside the pages, as SVG.

    Raises
    ------
    NoSuchPage
        If there is none of that name.
    """
    if not re.fullmatch(r"[\w-]+\.svg", name):
        raise NoSuchPage(f"{name!r} is not a drawing of the guide")
    return (resources.files(__package__) / name).read_bytes()


def search(words: str) -> tuple[Found, ...]:
    """Find the pages that hold every one of some words, in any case; those first that say them most often.

    Parameters
    ----------
    words : str
        Words or beginnings of words, with spaces between them.

    Returns
    -------
    tuple of Found
        Empty where no page holds them all, or no word was given.
    """
    wanted = [each.casefold() for each in words.split()]
    found = []
    for each in pages() if wanted else ():
        lines = _plain_lines(each)
        text = "\n".join(lines).casefold()
        if not all(word in text for word in wanted):
            continue
        titled = sum(word in each.title.casefold() for word in wanted)
        often = sum(text.count(word) for word in wanted) / len(wanted)
        found.append((-titled, -often, Found(page=each, lines=_with(lines[1:], wanted))))
    return tuple(each for _, _, each in sorted(found, key=lambda one: one[:2]))


def _plain_lines(page: Page) -> list[str]:
    """Title, summary, and the text of a page by paragraph, without marks."""
    text = _MARKS.sub(lambda found: found[1] or found[2] or "", markdown(page.name))
    parts = re.split(r"\n\s*\n|\n(?=[0-9]+\. )|(?<=[.:;])\n", text)
    return [page.title, page.summary, *(" ".join(each.split()) for each in parts if each.strip())]


def _with(lines: Sequence[str], wanted: Sequence[str]) -> tuple[str, ...]:
    """Lines that hold most of the words, in their order on the page."""
    counts = [sum(word in line.casefold() for word in wanted) for line in lines]
    best = sorted((i for i, count in enumerate(counts) if count), key=lambda i: -counts[i])[:MOST_LINES]
    return tuple(_clipped(lines[i], wanted) for i in sorted(best))


def _clipped(line: str, wanted: Sequence[str], most: int = 160) -> str:
    """Return a line, or the part of it around the first of the words."""
    if len(line) <= most:
        return line
    at = min(place for word in wanted if (place := line.casefold().find(word)) >= 0)
    start = line.rfind(" ", 0, max(0, at - most // 3)) + 1 if at > most // 2 else 0
    end = line.rfind(" ", start, start + most)
    return ("… " if start else "") + line[start:end] + ("" if end >= len(line) - 1 else " …")
