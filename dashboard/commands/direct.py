"""Read what was typed behind a short command by the command's own signature, where it is plain.

Typer loads pydantic before it reads a word, a third of the time that `baulk emc` took. A command is declared
once, for both readers: this one looks at the same annotations. What it does not understand at once, help and
mistakes among it, is Typer's, which has the words for it.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from inspect import Parameter, signature
from pathlib import Path
from types import NoneType, UnionType
from typing import Annotated, Any, Final, get_args, get_origin, get_type_hints

from typer.models import ArgumentInfo, OptionInfo, ParameterInfo

_UNDERSTOOD: Final = {"default", "param_decls", "help", "metavar", "envvar", "show_default", "min", "max"}
_WHOLE: Final = re.compile(r"-?\d{1,15}")
_NUMBER: Final = re.compile(r"-?\d{1,15}(?:\.\d{1,15})?")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Wanted:
    """One value of a command: how it is called, what it is, and where it comes from if nobody types it."""

    name: str
    info: ParameterInfo
    called: tuple[str, ...]  # empty: it has no name and stands in its place
    kind: Any  # a type; of anything but str, int, float, bool and Path no word is read
    default: Any

    def left_out(self) -> Any:  # noqa: ANN401 - as declared
        """Return what holds where nothing was typed; `Parameter.empty` if something has to be."""
        named = self.info.envvar
        if isinstance(named, str) and (said := os.environ.get(named)):
            return self.read(said)
        return self.default

    def read(self, word: str) -> Any:  # noqa: ANN401 - as declared
        """Return the value of a word; `Parameter.empty` if it takes more to read it."""
        if self.kind is str:
            return word
        if self.kind is Path:
            return Path(word)
        written = {float: _NUMBER, int: _WHOLE}.get(self.kind)
        if written is None or not written.fullmatch(word):
            return Parameter.empty
        number, (least, most) = self.kind(word), (self.info.min, self.info.max)
        within = (least is None or number >= least) and (most is None or number <= most)
        return number if within else Parameter.empty


def values(command: Callable[..., Any], words: Sequence[str]) -> dict[str, Any] | None:
    """Read what a command is to be called with.

    Parameters
    ----------
    command : callable
        A command; each parameter is `Annotated` with an option or an argument of Typer.
    words : sequence of str
        What was typed behind its name.

    Returns
    -------
    dict of str to object or None
        A value for each parameter; None if Typer has to read the words.
    """
    declared = list(_declared(command))
    if any(each is None for each in declared):
        return None
    wanted = [each for each in declared if each is not None]
    options = {name: each for each in wanted for name in each.called}
    places = [each for each in wanted if not each.called]
    typed = _typed(options, places, words)
    if typed is None:
        return None
    found = {each.name: typed[each.name] if each.name in typed else each.left_out() for each in wanted}
    return None if any(value is Parameter.empty for value in found.values()) else found


def _declared(command: Callable[..., Any]) -> Iterator[_Wanted | None]:
    """Give each parameter of a command; None for one that asks for more than a plain reader knows."""
    hints = get_type_hints(command, include_extras=True)
    for name, parameter in signature(command).parameters.items():
        kind, *marks = get_args(hints[name]) if get_origin(hints[name]) is Annotated else (hints[name],)
        info = marks[0] if len(marks) == 1 else None
        if not isinstance(info, OptionInfo | ArgumentInfo) or _asks_for_more(info):
            yield None
            continue
        called = _names(info)
        if bool(called) != isinstance(info, OptionInfo) or any("/" in each for each in called):
            yield None
            continue
        if isinstance(kind, UnionType):
            kind = next((each for each in get_args(kind) if each is not NoneType), kind)
        yield _Wanted(name=name, info=info, called=called, kind=kind, default=parameter.default)


def _asks_for_more(info: OptionInfo | ArgumentInfo) -> bool:
    plain = vars(OptionInfo() if isinstance(info, OptionInfo) else ArgumentInfo())
    return any(name not in _UNDERSTOOD and plain.get(name) != value for name, value in vars(info).items())


def _names(info: OptionInfo | ArgumentInfo) -> tuple[str, ...]:
    """Return the names of an option; the first stands where Typer once had a default."""
    first = (info.default,) if isinstance(info.default, str) else ()
    return (*first, *(info.param_decls or ()))


def _typed(
    options: Mapping[str, _Wanted], places: Sequence[_Wanted], words: Sequence[str]
) -> dict[str, Any] | None:
    """Give the values of what was typed, by parameter; None if it is not plain."""
    found: dict[str, Any] = {}
    left, free = iter(words), iter(places)
    for word in left:
        name, sign, value = word.partition("=") if word.startswith("--") else (word, "", "")
        wanted = options.get(name) if word.startswith("-") else next(free, None)
        if wanted is None or wanted.name in found:
            return None
        if not word.startswith("-"):
            found[wanted.name] = wanted.read(word)
        elif wanted.kind is bool:
            found[wanted.name] = Parameter.empty if sign else True
        else:
            value = value if sign else next(left, "--")
            found[wanted.name] = Parameter.empty if value.startswith("--") else wanted.read(value)
    return found
