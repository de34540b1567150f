"""A reason as data: a code and the values it speaks of; the words are made in `baulk.models.text`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any, TypeAlias

Value: TypeAlias = "str | bool | int | float | datetime | Sequence[Value] | Mapping[str, Value] | None"
Values: TypeAlias = Mapping[str, Value]


@dataclass(frozen=True, slots=True, kw_only=True)
class Reason:
    """One thing to be told, without words and without units of anybody's choice.

    Parameters
    ----------
    code : str
        What it is, as "verdict.moves"; a key of `baulk.models.text.SENTENCES`.
    values : mapping
        What it speaks of, in SI, with the unit in the name (`_mm`, `_pct`, `_kg`, `_c`); a name that ends
        in ``_utc`` holds an aware datetime.
    """

    code: str
    values: Values = field(default_factory=dict)

    def to_json(self) -> dict[str, Any]:
        """Return code and values as JSON takes them; moments as ISO 8601 in UTC."""
        return {"code": self.code, "values": _plain(self.values)}

    @classmethod
    def from_json(cls, stored: Mapping[str, Any]) -> Reason:
        """Return what `to_json` wrote."""
        return cls(code=str(stored["code"]), values=_typed(stored.get("values", {})))


def utc(posix_s: float) -> datetime:
    """Return seconds since 1970 as a moment in whole seconds, which is what JSON keeps of a value."""
    return datetime.fromtimestamp(int(posix_s), UTC)


def _plain(value: Value) -> Any:  # noqa: ANN401 - what JSON takes
    if isinstance(value, datetime):
        return value.isoformat(timespec="seconds")
    if isinstance(value, Mapping):
        return {name: _plain(each) for name, each in value.items()}
    if isinstance(value, Sequence) and not isinstance(value, str):
        return [_plain(each) for each in value]
    return value


def _typed(stored: Mapping[str, Any]) -> dict[str, Any]:
    return {name: _named(name, each) for name, each in stored.items()}


def _named(name: str, value: Any) -> Any:  # noqa: ANN401 - what JSON gave
    if isinstance(value, Mapping):
        return _typed(value)
    if isinstance(value, list):
        return tuple(_named(name, each) for each in value)
    if name.endswith("_utc") and isinstance(value, str):
        return datetime.fromisoformat(value)
    return value
