"""The command line: a table of commands, each imported only when it is called, and one place for errors."""

from __future__ import annotations

import gc
import importlib
import os
import re
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any, Final

import typer
from typer.core import TyperGroup

from baulk.dashboard.commands import direct, former
from baulk.dashboard.commands.help_text import keep_brackets
from baulk.models.errors import BaulkError
from baulk.models.formatting import in_reader_units

_FRACTION: Final = re.compile(r"[1-9]\d{0,2}/[1-9]\d{0,2}(?:in|\")?")
DETAIL = "BAULK_DETAIL"  # set to anything: an unexpected error is shown with where it came from


@dataclass(frozen=True, slots=True)
class Entry:
    """Where a command lives and the line that the overview shows for it."""

    module: str
    name: str
    help: str


COMMANDS: Final = {
    "demo": Entry("demo", "demo", "See it work: a simulated yard, its sensors, forecasts and pages."),
    "init": Entry("shop", "init", "Make a shop folder: baulk.toml and an empty store."),
    "serve": Entry("serve", "serve", "Run everything of a shop: listener, forecasts, pages."),
    "listen": Entry("listen", "listen", "Take readings from the broker into the store."),
    "forward": Entry("forward", "forward", "At a yard far away: keep its messages, send them to the shop."),
    "forecast": Entry("forecast", "forecast", "Work out forecasts and verdicts; --watch keeps at it."),
    "dashboard": Entry("shop", "dashboard", "Serve the pages on this machine."),
    "password": Entry("password", "password", "The pages' password, to serve them beyond this machine."),
    "timber": Entry(
        "timber", "app", "The register: add, show, edit, move, cut, attach a sensor, history, undo."
    ),
    "sensor": Entry("sensor", "app", "Sensors: pair a new one, what its messages mean, accounts, clocks."),
    "place": Entry("place", "app", "Places with air of their own: list, add, set."),
    "reading": Entry("reading", "app", "Readings by hand: add, list, edit, undo, import."),
    "walk": Entry("walk", "walk", "Readings timber by timber, a line each; --print gives a sheet."),
    "quarantine": Entry(
        "quarantine", "app", "What could not be stored: by cause, try again, settle, discard."
    ),
    "export": Entry("export", "app", "Take timbers, readings, events and verdicts out: CSV or Parquet."),
    "backup": Entry("backup", "backup", "The shop in one zip, made while it runs and proved by restoring."),
    "restore": Entry("backup", "restore", "A shop out of a backup, into a new folder."),
    "store": Entry("store", "app", "The store of readings: thin old ones."),
    "verdict": Entry("verdict", "verdict", "Leave it, rough it out, or square it: when and why."),
    "labels": Entry("labels", "print_labels", "Tag labels whose code opens the timber's page."),
    "record": Entry("record", "print_record", "A timber's drying record, to print and keep."),
    "calendar": Entry("calendar", "write_calendar", "Expected dates as a calendar file."),
    "emc": Entry("air", "emc", "Moisture content that wood comes to in given air."),
    "size": Entry("size", "size", "What a section measures once its moisture has changed."),
    "weight": Entry("weight", "weight", "What a timber weighs, or how wet two weights say it is."),
    "dewpoint": Entry("air", "dewpoint", "Temperature at which given air begins to drip."),
    "plan": Entry("plan", "app", "Plans: the shop's humidity, sizes to saw, what to buy."),
    "notices": Entry("notices", "notices", "What is open: sensors, check risk, mould, timbers ready."),
    "guide": Entry("guide", "guide", "The guide: first steps, pins, verdicts, safety, words, physics."),
    "doctor": Entry("doctor", "doctor", "Where the numbers come from, and which nobody has looked up."),
}


# commands of a group that are typed often enough to be imported without the rest of it
ALONE: Final[dict[tuple[str, ...], Entry]] = {
    ("timber", "list"): Entry("timber_list", "list_", "List every timber of the shop.")
}

# commands that answer at once, and one that stays for years: plain words are read without Typer (`direct`)
SHORT: Final = (("emc",), ("size",), ("weight",), ("dewpoint",), ("timber", "list"), ("serve",))


def build(wanted: Sequence[str] = tuple(COMMANDS)) -> typer.Typer:
    """Put the command line together; only the wanted commands are imported, the others are lines of help.

    Parameters
    ----------
    wanted : sequence of str
        Names of the commands to import; or a group and the one command of it that `ALONE` has.

    Returns
    -------
    Typer
        The application.
    """
    app = typer.Typer(
        name="baulk",
        cls=_Top,
        no_args_is_help=True,
        add_completion=False,
        pretty_exceptions_enable=False,
        context_settings={"help_option_names": ["-h", "--help"]},
        help="Says of each green timber in the shop: leave it, rough it out, or square it, when and why.",
        epilog="Lengths and temperatures are taken in either system: '7 3/4 in', '197 mm', '68F', '20C'. "
        "Ends with 0 when done, 1 after an error told in one sentence, 2 when it was not understood.",
    )
    app.callback()(_top)
    for name, entry in COMMANDS.items():
        if name not in wanted:
            app.command(name, help=entry.help)(_not_imported)
            continue
        found = _imported(ALONE.get(tuple(wanted), entry))
        if tuple(wanted) in ALONE:
            group = typer.Typer(pretty_exceptions_enable=False)
            group.command(wanted[1])(found)
            found = group
        if isinstance(found, typer.Typer):
            app.add_typer(found, name=name, help=entry.help, no_args_is_help=True)
        else:
            app.command(name)(found)
    return app


def _imported(entry: Entry) -> Any:  # noqa: ANN401 - a command or a group of them
    return getattr(importlib.import_module(f"{__name__}.{entry.module}"), entry.name)


class _Top(TyperGroup):
    """The whole command line: former words are put right before they are read."""

    def __init__(self, **given: Any) -> None:  # noqa: ANN401 - as click gives it
        super().__init__(**given)
        keep_brackets(self)

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:  # noqa: ANN401 - typer's types are private
        """Read what was typed."""
        return super().parse_args(ctx, former.put_right(args))


def main() -> None:
    """Run the command line; an error made on purpose is one sentence, any other one says how to see more."""
    words = joined(sys.argv[1:])
    gc.disable()  # what is loaded stays: looking through it for waste was a seventh of a start
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "true")  # it would read what every package declares
    try:
        if not _called(words):
            app = build(_wanted(words))
            _loaded()
            app(words, prog_name="baulk")
    except typer.Exit as end:
        sys.exit(end.exit_code)
    except typer.Abort:
        sys.stderr.write("Aborted.\n")
        sys.exit(1)
    except BaulkError as err:
        _end(_in_shop_units(str(err), words), err)
    except KeyboardInterrupt:
        sys.exit(130)
    except BrokenPipeError:  # the reader of our output left, as `head` does
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(1)
    except Exception as err:  # noqa: BLE001 - the last resort; the detail is one variable away
        what = " ".join(str(err).split()) or "no words with it"
        _end(
            f"something went wrong that should not ({type(err).__name__}: {what}); "
            f"set {DETAIL}=1 and run it again to see where",
            err,
        )


def _called(words: Sequence[str]) -> bool:
    """Call a short command whose words are plain; return False if Typer has to read them."""
    top = 2 if words[:1] == ["--shop"] else 0
    name = next((each for each in SHORT if tuple(words[top : top + len(each)]) == each), None)
    if name is None:
        return False
    command = _imported(ALONE.get(name) or COMMANDS[name[0]])
    if top:
        _top(shop=words[1])
    values = direct.values(command, words[top + len(name) :])
    if values is None:
        return False
    _loaded()
    command(**values)
    return True


def _loaded() -> None:
    gc.freeze()
    gc.enable()


def joined(words: Sequence[str]) -> list[str]:
    """Join a whole number and a fraction behind it, which a person writes without quotes: ``7 13/16``."""
    found: list[str] = []
    for word in words:
        if found and _FRACTION.fullmatch(word) and found[-1].isdecimal():
            found[-1] += f" {word}"
        else:
            found.append(word)
    return found


def _wanted(words: Sequence[str]) -> list[str]:
    """Find the command's name: the first word that is neither an option nor the folder behind --shop.

    Where the group's command behind it can be had alone, its name too.
    """
    left = iter(words)
    for word in left:
        if word == "--shop":
            next(left, None)
        elif not word.startswith("-"):
            both = (word, next(left, ""))
            return list(both if both in ALONE else both[:1])
    return []


def _in_shop_units(sentence: str, words: Sequence[str]) -> str:
    """Put the sizes and weights in an error into the units of the shop that was asked, if there is one."""
    if " mm" not in sentence and " kg" not in sentence:
        return sentence
    from baulk.ingest import config as settings  # noqa: PLC0415 - only where something went wrong

    named = [after for word, after in pairwise(words) if word == "--shop"]
    named += [word.removeprefix("--shop=") for word in words if word.startswith("--shop=")]
    shop = Path(named[-1] if named else os.environ.get("BAULK_SHOP", "."))
    try:
        return in_reader_units(sentence, settings.load(shop).shop.units)
    except BaulkError:
        return sentence


def _end(sentence: str, err: Exception) -> None:
    if os.environ.get(DETAIL):
        raise err
    sys.stderr.write(f"baulk: {sentence}\n")
    sys.exit(1)


def _not_imported() -> None:
    """Stand in for a command that was not asked for."""
    raise RuntimeError("the command was not found in the words given")


def _show_version(asked: bool) -> None:  # noqa: FBT001 - typer hands it over by place
    if asked:
        from importlib.metadata import version  # noqa: PLC0415 - it brings a reader of e-mail

        sys.stdout.write(f"baulk {version('baulk')}\n")
        raise typer.Exit


def _top(
    show_version: Annotated[  # noqa: ARG001, FBT002 - typer's way of a flag
        bool, typer.Option("--version", callback=_show_version, is_eager=True, help="Show the version.")
    ] = False,
    shop: Annotated[
        str | None,
        typer.Option("--shop", metavar="DIR", help="The shop folder, for every command; or BAULK_SHOP."),
    ] = None,
) -> None:
    """Take what comes before the command's name."""
    if shop is not None:
        os.environ["BAULK_SHOP"] = shop  # each command reads it, and so do the parts that it starts
