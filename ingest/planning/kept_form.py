"""Frozen types of the models as JSON in a note of the store, and back by their own fields."""

from __future__ import annotations

import types
import typing
from collections.abc import Mapping
from dataclasses import MISSING, fields, is_dataclass
from datetime import UTC, datetime
from functools import cache
from typing import Any

from baulk.models.reason import Reason


def plain(value: Any) -> Any:  # noqa: ANN401 - what JSON takes
    """Return a dataclass, and what it holds, as JSON takes it; moments in UTC to the microsecond."""
    if isinstance(value, Reason):
        return value.to_json()
    if is_dataclass(value) and not isinstance(value, type):
        return {each.name: plain(getattr(value, each.name)) for each in fields(value)}
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat()
    if isinstance(value, Mapping):
        return {name: plain(each) for name, each in value.items()}
    return [plain(each) for each in value] if isinstance(value, tuple | list) else value


def read(kind: Any, stored: Any) -> Any:  # noqa: ANN401 - by the kind's own fields
    """Return what `plain` made of a kind.

    Raises
    ------
    ValueError, TypeError, KeyError, AttributeError
        If another version wrote it.
    """
    origin, inside = typing.get_origin(kind), typing.get_args(kind)
    if origin in {types.UnionType, typing.Union}:
        rest = [each for each in inside if each is not type(None)]
        return None if stored is None or len(rest) != 1 else read(rest[0], stored)
    if origin is tuple:
        each_kind = (inside[0],) * len(stored) if inside[1:] == (...,) else inside
        return tuple(read(one, each) for one, each in zip(each_kind, stored, strict=True))
    if kind is Reason:
        return Reason.from_json(stored)
    if kind is datetime:
        return datetime.fromisoformat(stored)
    if isinstance(kind, type) and is_dataclass(kind):
        # what a later version added has a default, so that what an earlier one kept is read
        added = {each.name for each in fields(kind) if each.default is not MISSING} - stored.keys()
        kept = {name: one for name, one in _kinds(kind).items() if name not in added}
        return kind(**{name: read(one, stored[name]) for name, one in kept.items()})
    return stored


@cache
def _kinds(kind: type) -> dict[str, Any]:
    hints = typing.get_type_hints(kind)
    return {each.name: hints[each.name] for each in fields(kind)}
