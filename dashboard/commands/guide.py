"""The guide in a terminal: `baulk guide`."""

from __future__ import annotations

import re
from typing import Annotated, Final

import typer

from baulk.dashboard.commands.answers import JsonOption, console, say, say_item, say_json
from baulk.dashboard.guide import book

_LINK: Final = re.compile(r"(!?)\[([^\]]+)\]\(([\w-]+)\.\w+\)")
_WIDE: Final = 80  # columns; longer lines are hard to read


def guide(
    page: Annotated[str, typer.Argument(metavar="PAGE", help="A page's name; without one, the list.")] = "",
    search: Annotated[
        str, typer.Option("--search", metavar="WORDS", help="Pages that hold all of these words.")
    ] = "",
    *,
    json: JsonOption = False,
) -> None:
    """Read the guide: first steps, instruments, pins, verdicts, safety, words, physics, operating.

    Example: baulk guide safety
    """
    if page:
        _show(page, json=json)
        return
    found = book.search(search) if search else [book.Found(page=e, lines=(e.summary,)) for e in book.pages()]
    if json:
        say_json([{"page": each.page, "lines": each.lines} for each in found])
        return
    if not found:
        say("No page holds all of these words.")
    for each in found:
        say(f"{each.page.name}: {each.page.title}")
        for line in each.lines:
            say_item(line)
    if not search:
        say("")
        say("baulk guide PAGE shows one; --search finds words in all of them.")


def _show(name: str, *, json: bool) -> None:
    found = book.page(name)
    text = book.markdown(found.name)
    if json:
        say_json({"page": found, "markdown": text})
        return
    from rich.markdown import Markdown  # noqa: PLC0415 - only a page that is read needs it

    out = console()
    out.width = min(out.width, _WIDE)
    out.print(Markdown(_LINK.sub(_reference, text), hyperlinks=False, code_theme="ansi_dark"))


def _reference(found: re.Match[str]) -> str:
    drawing, text, name = found.groups()
    return f"*(Drawing: {text})*" if drawing else f"{text} (`baulk guide {name}`)"
