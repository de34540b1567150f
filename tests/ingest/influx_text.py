"""What an InfluxDB 2 server is sent, taken apart as published: line protocol, a little of Flux, times.

Read: docs.influxdata.com, "Line protocol reference" (syntax, no newline in values, no empty tag values). From
memory: which characters are escaped where, the lexical elements of Flux.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from typing import NoReturn


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
    rf" (?P<fields>{_KEY}={_VALUE}(?:,{_KEY}={_VALUE})*)(?: (?P<time>-?\d+))?"
)
_KINDS = (
    (re.compile(r"-?\d+i"), lambda text: int(text[:-1])),
    (re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?"), float),
    (re.compile(r"t|T|true|True|TRUE"), lambda _: True),
    (re.compile(r"f|F|false|False|FALSE"), lambda _: False),
    (re.compile(r'"(?:\\.|[^"\\])*"'), lambda text: re.sub(r'\\(["\\])', r"\1", text[1:-1])),
)


def parse_line(line: str) -> tuple[str, dict[str, str], dict[str, object], int | None]:
    """Take one line apart: measurement, tags, fields, time in the units of the request."""
    found = _LINE.fullmatch(line)
    if found is None:
        raise Refused(400, f"unable to parse '{line}': invalid line protocol")
    pairs = [(_plain(key), _plain(value)) for key, value in re.findall(rf",({_KEY})=({_KEY})", found["tags"])]
    fields = re.findall(rf"(?:^|,)({_KEY})=({_VALUE})", found["fields"])
    names = [key for key, _ in [*pairs, *fields]]
    if len(set(names)) < len(names) or any(name.startswith("_") for name in names):
        raise Refused(400, f"unable to parse '{line}': duplicate or reserved names")
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
            return read(text)
    raise Refused(400, f"unable to parse '{line}': invalid field {text}")


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


# --- Flux

_LEX = re.compile(
    r"\s+|(?P<time>\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.\d{1,9})?Z)|(?P<name>[A-Za-z_]\w*)"
    r'|(?P<text>"(?:[^"\\]|\\.)*")|(?P<sign>\|>|=>|==|!=|[()\[\],:.])'
)


class Flux:
    """Steps of a question, piped one into the next; whatever is not known is refused.

    Their arguments are strings, lists of strings, moments and functions of a row.
    """

    def __init__(self, text: str) -> None:
        self.words: list[tuple[str, str]] = []
        at = 0
        while at < len(text):
            found = _LEX.match(text, at)
            if found is None:
                raise Refused(400, f"compilation failed: loc 1:{at}: invalid statement: {text[at : at + 20]}")
            if found.lastgroup:
                self.words.append((found.lastgroup, found[0]))
            at = found.end()
        self.words.append(("end", ""))
        self.at = 0
        self.steps = [self._call()]
        while self._is("|>"):
            self.steps.append(self._call())
        self._take("end")

    def _bad(self) -> NoReturn:
        rest = " ".join(word for _, word in self.words[self.at : self.at + 4])
        raise Refused(400, f"compilation failed: unexpected or undefined: {rest or 'end of query'}")

    def _is(self, word: str) -> bool:
        kind, here = self.words[self.at]
        hit = kind != "text" and here == word
        self.at += hit
        return hit

    def _need(self, *words: str) -> None:
        for word in words:
            if not self._is(word):
                self._bad()

    def _take(self, kind: str) -> str:
        if self.words[self.at][0] != kind:
            self._bad()
        self.at += 1
        return self.words[self.at - 1][1]

    def _text(self) -> str:
        inside = self._take("text")[1:-1]
        without = re.sub(r"\\\\", "", inside)
        if re.search(r"(?<!\\)\$\{", without) or re.search(r'\\(?![nrt"$])', without):
            raise Refused(400, "interpolation or an unknown escape in a string")
        plain = {"n": "\n", "r": "\r", "t": "\t"}
        return re.sub(r"\\(.)", lambda hit: plain.get(hit[1], hit[1]), inside)

    def _call(self):
        name, given = self._take("name"), {}
        self._need("(")
        while not self._is(")"):
            key = self._take("name")
            self._need(":")
            given[key] = self._value()
            if not self._is(","):
                self._need(")")
                break
        return name, given

    def _value(self):
        kind = self.words[self.at][0]
        if kind == "text":
            return self._text()
        if kind == "time":
            return nanoseconds(self._take("time"))
        if self._is("["):
            found = [self._text()]
            while self._is(","):
                found.append(self._text())
            self._need("]")
            return found
        self._need("(", "r", ")", "=>")
        return self._either()

    def _either(self):
        sides = [self._both()]
        while self._is("or"):
            sides.append(self._both())
        return lambda row: any(side(row) for side in sides)

    def _both(self):
        sides = [self._one()]
        while self._is("and"):
            sides.append(self._one())
        return lambda row: all(side(row) for side in sides)

    def _one(self):
        if self._is("("):
            inside = self._either()
            self._need(")")
            return inside
        self._need("r", ".")
        column, equal = self._take("name"), self._is("==")
        if not equal:
            self._need("!=")
        wanted = self._text()
        return lambda row: column in row and (row[column] == wanted) is equal  # a missing column is null
