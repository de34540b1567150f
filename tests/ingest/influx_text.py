"""What an InfluxDB 2 server is sent, taken apart as it takes it apart: line protocol, predicates, moments.

Measured on a real 2.9.1: what is refused, with which words; what the published grammar forbids and the
server takes all the same. Read: docs.influxdata.com, "Line protocol reference", "Delete predicate syntax".
From memory: which characters are escaped where, the list of keywords.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta

FIRST_NS, LAST_NS = -9223372036854775806, 9223372036854775806


class Refused(Exception):
    """The server's answer to what it will not take."""

    def __init__(self, status: int, message: str, **headers: str) -> None:
        super().__init__(message)
        self.status, self.headers = status, headers


# --- line protocol

_KEY = r"(?:\\.|[^\\,= ])+"
_VALUE = r'(?:"(?:\\.|[^"\\])*"|[^ ,"]+)'
_LINE = re.compile(
    rf"(?P<measurement>(?:\\.|[^\\, ])+)(?P<tags>(?:,{_KEY}={_KEY})*)"
    rf" (?P<fields>{_KEY}={_VALUE}(?:,{_KEY}={_VALUE})*)(?: (?P<time>-?\d+))?",
    re.DOTALL,
)
_LINES = re.compile(r'(?:"(?:\\.|[^"\\])*"|[^"\n])+', re.DOTALL)
_KINDS = (
    (re.compile(r"-?\d+i"), lambda text: int(text[:-1])),
    (re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?"), float),
    (re.compile(r"t|T|true|True|TRUE"), lambda _: True),
    (re.compile(r"f|F|false|False|FALSE"), lambda _: False),
    (re.compile(r'"(?:\\.|[^"\\])*"', re.DOTALL), lambda text: re.sub(r'\\(["\\])', r"\1", text[1:-1])),
)


def lines_of(text: str) -> Iterator[str]:
    """Give the lines of a body; a line feed inside a string ends none."""
    for found in _LINES.finditer(text):
        line = found[0].strip()
        if line and not line.startswith("#"):
            yield line


def parse_line(line: str) -> tuple[str, dict[str, str], dict[str, object], int | None]:
    """Take one line apart: measurement, tags, fields, time in the units of the request."""
    found = _LINE.fullmatch(line)
    if found is None:
        why = "missing tag value" if re.search(r"=[, ]", line) else "invalid line protocol"
        raise Refused(400, f"unable to parse '{line}': {why}")
    pairs = [(_plain(key), _plain(value)) for key, value in re.findall(rf",({_KEY})=({_KEY})", found["tags"])]
    fields = re.findall(rf"(?:^|,)({_KEY})=({_VALUE})", found["fields"], re.DOTALL)
    names = [key for key, _ in [*pairs, *fields]]
    if len(set(names)) < len(names):
        raise Refused(400, f"unable to parse '{line}': duplicate tags")
    if any(key == "time" for key, _ in pairs):
        raise Refused(400, f"unable to parse '{line}': cannot use reserved tag key \"time\"")
    return (
        re.sub(r"\\([, ])", r"\1", found["measurement"]),
        dict(pairs),
        {_plain(key): _field(value, line) for key, value in fields},
        int(found["time"]) if found["time"] else None,
    )


def _plain(text: str) -> str:
    return re.sub(r"\\([,= ])", r"\1", text)


def _field(text: str, line: str) -> object:
    for pattern, read in _KINDS:
        if pattern.fullmatch(text):
            value = read(text)
            if isinstance(value, float) and not math.isfinite(value):
                break
            return value
    raise Refused(400, f"unable to parse '{line}': invalid float")


# --- deletion

_KEYWORDS = {"ANY", "BY", "FIELD", "FROM", "GROUP", "IN", "KEY", "MEASUREMENT", "NAME", "ON", "TAG", "VALUES"}
_PART = re.compile(r'\s*(\w+)\s*(!?=)\s*"((?:[^"\\]|\\.)*)"\s*')
_BETWEEN = re.compile(r"and\b|or\b", re.IGNORECASE)


def predicate(text: str) -> Callable[[dict[str, str]], bool]:
    """Read the predicate of a deletion; gives whether the tags of a series fulfil it."""
    wanted: list[tuple[str, bool, str]] = []
    at = 0
    while text.strip():
        found = _PART.match(text, at)
        if found is None or found[1].upper() in _KEYWORDS:
            raise Refused(400, "error decoding json body: bad logical expression, at position 0")
        if found[1] == "_field":
            raise Refused(501, "delete by field is not supported")
        wanted.append((found[1], found[2] == "=", re.sub(r"\\(.)", r"\1", found[3])))
        at = found.end()
        if at == len(text):
            break
        between = _BETWEEN.match(text, at)
        if between is None:
            raise Refused(400, "error decoding json body: bad logical expression, at position 0")
        if between[0].upper() == "OR":
            raise Refused(
                400,
                "error decoding json body: the logical operator OR is not supported yet at position "
                f"{between.start()}",
            )
        at = between.end()
    return lambda tags: all((tags.get(key, "") == value) is equal for key, equal, value in wanted)


# --- times


def nanoseconds(text: str) -> int:
    """Read a moment of RFC 3339."""
    found = re.fullmatch(r"(\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d)(?:\.(\d{1,9}))?Z", text)
    if found is None:
        raise Refused(400, f"invalid time {text}")
    whole = datetime.fromisoformat(found[1]).replace(tzinfo=UTC) - datetime(1970, 1, 1, tzinfo=UTC)
    return whole // timedelta(seconds=1) * 10**9 + int((found[2] or "0").ljust(9, "0"))


def rfc3339(ns: int) -> str:
    """Write a moment as RFC3339Nano: without zeros at the end."""
    whole, rest = divmod(ns, 10**9)
    moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=whole)
    return f"{moment:%Y-%m-%dT%H:%M:%S}" + (f".{rest:09d}".rstrip("0") if rest else "") + "Z"
