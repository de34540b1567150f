"""Plans from the command line; each is imported only when it is called."""

from __future__ import annotations

import importlib
from typing import Any, Final

import typer
from typer.core import TyperGroup

from baulk.dashboard.commands import Entry
from baulk.dashboard.commands.help_text import keep_brackets

# one line a plan: "air": Entry("plan_air", "air", "the line that the overview shows")
PLANS: Final[dict[str, Entry]] = {
    "air": Entry("plan_air", "air", "The shop's humidity by week: the window, the schedule, what it gains."),
    "size": Entry("plan_size", "size", "The green size to saw or order, or the best place in a timber."),
    "buy": Entry("plan_buy", "buy", "Which timber for which part, what is short, what to order by when."),
    "choices": Entry(
        "plan_choices", "choices", "What could be done with one timber, side by side, the best first."
    ),
    "weather": Entry("plan_weather", "weather", "Take in a file of the coming days' outdoor weather."),
    "follow": Entry("plan_back", "follow", "Say that a room's newest plan is followed, to look back on it."),
    "back": Entry(
        "plan_back", "back", "How a room's earlier plans came out, and what that teaches the next."
    ),
    "used": Entry("plan_used", "used", "Note litres and kilowatt-hours that a room's machines used."),
    "gap": Entry(
        "plan_gap", "gap", "Room to leave in a joint for swelling, and what opens in its driest season."
    ),
}


class Lazy(TyperGroup):
    """A group whose commands are lines of help until one of them is called."""

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:  # noqa: ANN401 - typer's own types are private
        """Import the command that was asked for, then go on as usual."""
        if args and args[0] in PLANS:
            self.commands[args[0]] = _real(args[0])
        return super().resolve_command(ctx, args)


app = typer.Typer(cls=Lazy, pretty_exceptions_enable=False)


@app.callback()
def plan() -> None:
    """Plans: the shop's humidity, sizes to saw, what to buy, what to do with a timber, room in joints."""


def _real(name: str) -> Any:  # noqa: ANN401
    entry = PLANS[name]
    alone = typer.Typer(add_completion=False, pretty_exceptions_enable=False)
    found = getattr(importlib.import_module(f"{__package__}.{entry.module}"), entry.name)
    alone.command(name, context_settings={"help_option_names": ["-h", "--help"]})(found)
    made = typer.main.get_command(alone)
    keep_brackets(made)
    return made


def _not_imported() -> None:
    """Stand in for a plan that was not asked for."""
    raise RuntimeError("the plan was not found in the words given")


for _name, _entry in PLANS.items():
    app.command(_name, help=_entry.help)(_not_imported)
