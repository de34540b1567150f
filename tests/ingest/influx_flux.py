"""A small reader of Flux: the language's expressions, and the functions that Baulk and its task ask.

Tables, group keys and what each function does to them are those of docs.influxdata.com/flux/v0 ("Flux data
model", "Standard library"); measured on a real 2.9.1: pushed-down `last` cuts `_start` to 1970, and
`median(method: "exact_selector")` looks at `_value` whatever its column says. What is not known is refused.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator
from typing import Any, NoReturn

from influx_text import Refused, nanoseconds

_UNITS = {"ns": 1, "us": 10**3, "ms": 10**6, "s": 10**9, "m": 60 * 10**9, "h": 3600 * 10**9}
_UNITS |= {"d": 86400 * 10**9, "w": 7 * 86400 * 10**9}
_LEX = re.compile(
    r"(?:\s|//[^\n]*)+|(?P<time>\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.\d{1,9})?Z)"
    r"|(?P<length>\d+(?:ns|us|ms|[smhdw])\b)|(?P<number>\d+(?:\.\d+)?)|(?P<name>[A-Za-z_]\w*)"
    r'|(?P<text>"(?:[^"\\]|\\.)*")|(?P<sign>\|>|=>|==|!=|<=|>=|[-+*/<>=()\[\]{},:.])'
)
_LIBRARIES = {"influxdata/influxdb", "date", "strings"}
Env = dict[str, Any]
Code = Callable[[Env], Any]


class Moment(int):
    """Nanoseconds since 1970, told from other whole numbers."""


class Length(int):
    """Nanoseconds of a duration."""


class Table:
    """Rows of one group key."""

    def __init__(self, key: tuple[str, ...], rows: list[dict[str, Any]]) -> None:
        self.key, self.rows = key, rows


class Flux:
    """Read a question; `run` gives the tables that it yields."""

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
        self.statements: list[tuple[str | None, Code]] = []
        while self.words[self.at][0] != "end":
            self._statement()

    def run(self, env: Env) -> list[Table]:
        """Give the tables of the last statement that gives any."""
        told: list[Table] = []
        for name, code in self.statements:
            value = code(env)
            if name is None:
                told = value
            else:
                env[name] = value
        if not (isinstance(told, list) and all(isinstance(each, Table) for each in told)):
            raise Refused(400, "cannot submit unbounded read; try bounding 'from' with a call to 'range'")
        return told

    def _statement(self) -> None:
        if self._is("import"):
            if self._string() not in _LIBRARIES:
                self._bad()
            return
        self._is("option")
        kind, name = self.words[self.at]
        if kind == "name" and self.words[self.at + 1][1] == "=":
            self.at += 2
            self.statements.append((name, self._expression()))
        else:
            self.statements.append((None, self._expression()))

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

    def _string(self) -> str:
        inside = self._take("text")[1:-1]
        without = re.sub(r"\\\\", "", inside)
        if re.search(r"(?<!\\)\$\{", without) or re.search(r'\\(?![nrt"$])', without):
            raise Refused(400, "interpolation or an unknown escape in a string")
        plain = {"n": "\n", "r": "\r", "t": "\t"}
        return re.sub(r"\\(.)", lambda hit: plain.get(hit[1], hit[1]), inside, flags=re.DOTALL)

    # --- expressions, the loosest first

    def _expression(self) -> Code:
        if self._is("if"):
            test = self._expression()
            self._need("then")
            yes = self._expression()
            self._need("else")
            no = self._expression()
            return lambda env: yes(env) if test(env) else no(env)
        return self._either()

    def _either(self) -> Code:
        sides = [self._both()]
        while self._is("or"):
            sides.append(self._both())
        return sides[0] if len(sides) == 1 else lambda env: any(side(env) for side in sides)

    def _both(self) -> Code:
        sides = [self._not()]
        while self._is("and"):
            sides.append(self._not())
        return sides[0] if len(sides) == 1 else lambda env: all(side(env) for side in sides)

    def _not(self) -> Code:
        if self._is("not"):
            inside = self._not()
            return lambda env: not inside(env)
        if self._is("exists"):
            inside = self._not()
            return lambda env: inside(env) is not None
        left = self._sum()
        for sign, holds in _COMPARISONS.items():
            if self._is(sign):
                right = self._sum()
                return lambda env: _compared(holds, left(env), right(env))
        return left

    def _sum(self) -> Code:
        found = self._piped()
        while self.words[self.at][1] in {"+", "-", "*", "/"} and self.words[self.at][0] == "sign":
            sign = self._take("sign")
            left, right = found, self._piped()
            found = _arithmetic(sign, left, right)
        return found

    def _piped(self) -> Code:
        if self._is("-"):
            inside = self._piped()
            return lambda env: type(inside(env))(-inside(env))
        found = self._after(self._first())
        while self._is("|>"):
            found = self._after(self._first(), into=found)
        return found

    def _after(self, found: Code, into: Code | None = None) -> Code:
        while True:
            if self._is("("):
                given = dict(self._pairs(")"))
                found, into = _call(found, given, into), None
            elif self._is("."):
                found = _member(found, self._take("name"))
            else:
                if into is not None:
                    self._bad()
                return found

    def _pairs(self, end: str) -> Iterator[tuple[str, Code]]:
        while not self._is(end):
            key = self._take("name")
            self._need(":")
            yield key, self._expression()
            if not self._is(","):
                self._need(end)
                return

    def _first(self) -> Code:  # noqa: PLR0911 - one a form
        kind, word = self.words[self.at]
        if kind == "text":
            text = self._string()
            return lambda _: text
        if kind in {"time", "length", "number"}:
            self.at += 1
            value = _literal(kind, word)
            return lambda _: value
        if self._is("["):
            return self._list()
        if self._is("{"):
            return self._record()
        if self._is("("):
            return self._function_or_inside()
        name = self._take("name")
        if name in {"true", "false"}:
            return lambda _: name == "true"
        return lambda env: env[name] if name in env else _undefined(name)

    def _list(self) -> Code:
        found: list[Code] = []
        while not self._is("]"):
            found.append(self._expression())
            if not self._is(","):
                self._need("]")
                break
        return lambda env: [each(env) for each in found]

    def _record(self) -> Code:
        base: str | None = None
        if self.words[self.at + 1][1] == "with":
            base = self._take("name")
            self._need("with")
        pairs = list(self._pairs("}"))
        return lambda env: (env[base] if base else {}) | {key: code(env) for key, code in pairs}

    def _function_or_inside(self) -> Code:
        kind, name = self.words[self.at]
        if kind == "name" and self.words[self.at + 1][1] == ")" and self.words[self.at + 2][1] == "=>":
            self.at += 3
            body = self._expression()
            return lambda env: lambda row: body({**env, name: row})
        inside = self._expression()
        self._need(")")
        return inside


_COMPARISONS: dict[str, Callable[[Any, Any], bool]] = {
    "==": lambda a, b: a == b,
    "!=": lambda a, b: a != b,
    "<=": lambda a, b: a <= b,
    ">=": lambda a, b: a >= b,
    "<": lambda a, b: a < b,
    ">": lambda a, b: a > b,
}


def _literal(kind: str, word: str) -> object:
    if kind == "time":
        return Moment(nanoseconds(word))
    if kind == "length":
        number, unit = re.match(r"(\d+)(\w+)", word).groups()
        return Length(int(number) * _UNITS[unit])
    return float(word) if "." in word else int(word)


def _undefined(name: str) -> NoReturn:
    raise Refused(400, f"compilation failed: error @1:1: undefined identifier {name}")


def _compared(holds: Callable[[Any, Any], bool], left: Any, right: Any) -> bool:
    return left is not None and right is not None and holds(left, right)  # null is equal to nothing


def _arithmetic(sign: str, left: Code, right: Code) -> Code:
    def work(env: Env) -> Any:
        one, two = left(env), right(env)
        if type(one) is not type(two):
            raise Refused(400, f"compilation failed: type conflict: {type(one)} {sign} {type(two)}")
        return {"+": lambda: one + two, "-": lambda: one - two, "*": lambda: one * two}.get(
            sign, lambda: one / two
        )()

    return work


def _member(found: Code, name: str) -> Code:
    def work(env: Env) -> Any:
        value = found(env)
        if isinstance(value, Series):
            return value.part(name)
        return value.get(name)

    return work


def _call(function: Code, given: dict[str, Code], into: Code | None) -> Code:
    def work(env: Env) -> Any:
        values = {key: code(env) for key, code in given.items()}
        piped = () if into is None else (into(env),)
        try:
            return function(env)(*piped, **values)
        except (TypeError, AttributeError) as err:
            raise Refused(400, f"compilation failed: error calling function: {err}") from err

    return work


# --- functions


class NeedsRows(Exception):
    """A function looks at more than tags and field."""


class Series(dict):
    """Tags and field of a series, before its points are looked at."""

    def part(self, name: str) -> Any:
        if name in {"_value", "_time"}:
            raise NeedsRows
        return self.get(name)


class Held(Table):
    """Points of one series and field in a span of time, taken out only when somebody looks at them."""

    def __init__(self, tags: Series, points: dict[int, Any], start: int, stop: int) -> None:
        self.tags, self.points, self.start, self.stop = tags, points, Moment(start), Moment(stop)
        self.key = ("_start", "_stop", *tags)
        self._rows: list[dict[str, Any]] | None = None

    @property
    def rows(self) -> list[dict[str, Any]]:
        if self._rows is None:
            ends = {"_start": self.start, "_stop": self.stop}
            self._rows = [
                {**ends, "_time": Moment(ns), "_value": self.points[ns], **self.tags}
                for ns in sorted(ns for ns in self.points if self.start <= ns < self.stop)
            ]
        return self._rows


def grouped(key: tuple[str, ...] | list[str], rows: Iterator[dict[str, Any]]) -> list[Table]:
    """Put rows into tables by the columns of a key; one column is of one type in a table."""
    found: dict[tuple[Any, ...], Table] = {}
    for row in rows:
        at = tuple(row.get(column) for column in key)
        table = found.get(at)
        if table is None:
            table = found[at] = Table(tuple(key), [])
        elif type(table.rows[0].get("_value")) is not type(row.get("_value")):
            raise Refused(400, "runtime error: schema collision: cannot group two types together")
        table.rows.append(row)
    return list(found.values())


def filtered(tables: list[Table], fn: Callable[[Any], bool]) -> list[Table]:
    found: list[Table] = []
    for table in tables:
        if isinstance(table, Held) and table._rows is None:
            try:
                if not fn(table.tags):
                    continue
                found.append(table)
                continue
            except NeedsRows:
                pass
        found.append(Table(table.key, [row for row in table.rows if fn(row)]))
    return [table for table in found if table.rows]


def pivot(tables: list[Table], rowKey: list[str], columnKey: list[str], valueColumn: str) -> list[Table]:  # noqa: N803
    (column,) = columnKey
    out: dict[tuple[Any, ...], dict[tuple[Any, ...], dict[str, Any]]] = {}
    keys: dict[tuple[Any, ...], tuple[str, ...]] = {}
    for table in tables:
        key = tuple(each for each in table.key if each not in {column, valueColumn})
        for row in table.rows:
            same = {each: row[each] for each in key}
            at = (key, tuple(same.values()))
            keys[at] = key
            rows = out.setdefault(at, {})
            line = tuple(row[each] for each in rowKey)
            wide = rows.setdefault(line, {**same, **dict(zip(rowKey, line, strict=True))})
            wide[row[column]] = row[valueColumn]
    return [Table(keys[at], list(rows.values())) for at, rows in out.items()]


def _without(tables: list[Table], kept: Callable[[str], bool]) -> list[Table]:
    whole: dict[tuple[Any, ...], Table] = {}
    for table in tables:
        key = tuple(each for each in table.key if kept(each))
        for row in table.rows:
            at = (key, tuple(row.get(each) for each in key))
            some = whole.setdefault(at, Table(key, []))
            some.rows.append({name: value for name, value in row.items() if kept(name)})
            if type(some.rows[0].get("_value")) is not type(some.rows[-1].get("_value")):
                raise Refused(400, "runtime error: schema collision: cannot group two types together")
    return list(whole.values())


def rename(tables: list[Table], columns: dict[str, str]) -> list[Table]:
    def of(name: str) -> str:
        return columns.get(name, name)

    return [
        Table(
            tuple(of(each) for each in table.key),
            [{of(name): value for name, value in row.items()} for row in table.rows],
        )
        for table in tables
    ]


def mapped(tables: list[Table], fn: Callable[[dict[str, Any]], dict[str, Any]]) -> list[Table]:
    key = {table.key for table in tables}
    return [
        one for each in key for one in grouped(each, (fn(r) for t in tables if t.key == each for r in t.rows))
    ]


def last(tables: list[Table], column: str = "_value") -> list[Table]:
    found = [Table(each.key, each.rows[-1:]) for each in tables if each.rows]
    for table in found:
        table.rows = [
            {**row, **({"_start": Moment(max(row["_start"], 0))} if "_start" in row else {})}
            for row in table.rows
        ]
    return found


def aggregate(work: Callable[[list[Any]], Any]) -> Callable[..., list[Table]]:
    def over(tables: list[Table], column: str = "_value") -> list[Table]:
        return [
            Table(
                table.key,
                [
                    {**{each: table.rows[0].get(each) for each in table.key}}
                    | {column: work([row[column] for row in table.rows])}
                ],
            )
            for table in tables
            if table.rows
        ]

    return over


def median(tables: list[Table], column: str = "_value", method: str = "estimate_tdigest") -> list[Table]:
    if method != "exact_selector":
        raise Refused(400, "the double knows the median that is one of the readings")
    del column  # so does the server
    found = []
    for table in tables:
        if "_value" not in table.rows[0]:
            raise Refused(400, 'runtime error @13:8-13:57: median: no column "_value" exists')
        rows = sorted(table.rows, key=lambda row: row["_value"])
        found.append(Table(table.key, [rows[math.ceil(len(rows) / 2) - 1]]))
    return found


def window(tables: list[Table], every: int) -> list[Table]:
    return [
        one
        for table in tables
        for one in grouped(
            table.key if "_start" in table.key else ("_start", "_stop", *table.key),
            (
                {**row, "_start": Moment(at), "_stop": Moment(at + every)}
                for row in table.rows
                for at in (row["_time"] // every * every,)
            ),
        )
    ]


def aggregate_window(
    tables: list[Table],
    every: int,
    fn: Callable[[list[Table]], list[Table]],
    createEmpty: bool = True,  # noqa: N803, FBT001, FBT002 - Flux's name
    timeSrc: str = "_stop",  # noqa: N803
) -> list[Table]:
    if createEmpty:
        raise Refused(400, "the double makes no empty windows")
    found = []
    for table in tables:
        ends = {each: table.rows[0][each] for each in ("_start", "_stop")} if table.rows else {}
        rows = [{**one.rows[0], **ends, "_time": one.rows[0][timeSrc]} for one in fn(window([table], every))]
        if rows:
            found.append(Table(table.key, rows))
    return found


def join(tables: dict[str, list[Table]], on: list[str], method: str = "inner") -> list[Table]:
    (left, lefts), (right, rights) = tables.items()
    if method != "inner":
        raise Refused(400, "the double joins inner")
    others: dict[tuple[Any, ...], list[dict[str, Any]]] = {}
    for row in (row for table in rights for row in table.rows):
        others.setdefault(tuple(row[each] for each in on), []).append(row)
    found = []
    for table in lefts:
        rows = []
        for one in table.rows:
            for two in others.get(tuple(one[each] for each in on), []):
                both = (one.keys() & two.keys()) - set(on)
                rows.append(
                    {each: one[each] for each in on}
                    | {
                        (f"{name}_{left}" if name in both else name): one[name]
                        for name in one
                        if name not in on
                    }
                    | {
                        (f"{name}_{right}" if name in both else name): two[name]
                        for name in two
                        if name not in on
                    }
                )
        if rows:
            found.append(Table(tuple(each for each in table.key if each in on), rows))
    return found


def sort(tables: list[Table], columns: list[str], desc: bool = False) -> list[Table]:  # noqa: FBT001, FBT002
    def by(row: dict[str, Any]) -> list[Any]:
        return [row[each] for each in columns]

    return [Table(each.key, sorted(each.rows, key=by, reverse=desc)) for each in tables]


def truncate(t: int, unit: int, *, now: int) -> Moment:
    at = now + t if isinstance(t, Length) else t
    return Moment(at // unit * unit)


def library(source: Callable[..., Any], to: Callable[[list[Table], str], list[Table]], now: int) -> Env:
    """Give what a question may call; ``source`` gives the tables of a bucket and a span of time."""

    def ranged(bucket: Any, start: int, stop: int = Moment(now)) -> list[Table]:
        ends = [now + each if isinstance(each, Length) else each for each in (start, stop)]
        if ends[0] >= ends[1]:
            raise Refused(400, "invalid: error in building plan: cannot query an empty range")
        return source(bucket, *ends)

    return {
        "from": lambda bucket: bucket,
        "range": ranged,
        "filter": filtered,
        "pivot": pivot,
        "keep": lambda tables, columns: _without(tables, lambda name: name in columns),
        "drop": lambda tables, columns: _without(tables, lambda name: name not in columns),
        "rename": rename,
        "map": mapped,
        "group": lambda tables, columns=(): grouped(
            tuple(columns), (row for table in tables for row in table.rows)
        ),
        "sort": sort,
        "last": last,
        "count": aggregate(len),
        "sum": aggregate(sum),
        "mean": aggregate(lambda values: sum(values) / len(values)),
        "median": median,
        "window": window,
        "aggregateWindow": aggregate_window,
        "join": join,
        "now": lambda: Moment(now),
        "int": lambda v: int(v),  # noqa: PLW0108 - called by name
        "date": {"truncate": lambda t, unit: truncate(t, unit, now=now)},
        "strings": {"containsStr": lambda v, substr: substr in v},
        "influxdb": {"wideTo": to},
    }
