"""Help as it was written: with its square brackets, which rich takes for marks, and in whole paragraphs."""

from __future__ import annotations

from typing import Any


def keep_brackets(command: Any) -> None:  # noqa: ANN401 - typer's own types are private
    """Have a command, its options and all commands below it shown with their square brackets.

    Parameters
    ----------
    command : click command or group
        Changed in place, once, before anything is shown.
    """
    for name in ("help", "short_help", "epilog"):
        if text := getattr(command, name, None):
            setattr(command, name, _escaped(_paragraphs(text)))
    for each in command.params:
        if text := getattr(each, "help", None):
            each.help = _escaped(text)
    for each in getattr(command, "commands", {}).values():
        keep_brackets(each)


def _escaped(text: str) -> str:
    if "[" not in text:
        return text
    from rich.markup import escape  # noqa: PLC0415 - few commands' words hold a bracket

    return escape(text)


def _paragraphs(text: str) -> str:
    """Join lines that were broken for the source, so that each help is broken for its reader's screen."""
    return "\n\n".join(" ".join(each.split()) for each in text.split("\n\n"))
