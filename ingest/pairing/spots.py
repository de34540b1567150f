"""Where in a message a value could stand: its tree, each spot with what a mapping says to find it again.

Nothing is taken for a quantity or a unit here; a person says both.
"""

from __future__ import annotations

import base64
import binascii
import csv
import io
import json
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import Any, Final

from baulk.ingest.errors import WireError
from baulk.ingest.wire import cbor, unwrap
from baulk.ingest.wire.message import is_right, parse_json
from baulk.models.formatting import printable

MOST: Final = 300  # spots of a message
DEEPEST: Final = 12
_SHOWN: Final = 60
_NAME: Final = re.compile(r"[A-Za-z_][A-Za-z0-9_]*")
_HEX: Final = re.compile(r"(?:[0-9A-Fa-f]{2}){2,}")
_BASE64: Final = re.compile(r"[A-Za-z0-9+/_-]{4,}={0,2}")
_SEPARATORS: Final = (";", "\t", ",")
_NUMBER: Final = re.compile(r"\s*[+-]?\d+(?:[.,]\d+)?\s*\D{0,8}\s*")


class Kind(StrEnum):
    """What stands at a spot."""

    NUMBER = "number"
    TEXT = "text"
    YES_NO = "yes or no"
    LIST = "list of numbers"
    BYTES = "bytes"


@dataclass(frozen=True, slots=True, kw_only=True)
class Spot:
    """A place in a message.

    Parameters
    ----------
    label : str
        As a person reads it.
    shown : str
        The beginning of what stands there, printable.
    kind : Kind
        What that is.
    finds : dict
        Fields of a source that find it again; of bytes the layout is still to be said.
    payload : bytes
        The bytes of a spot of bytes.
    times : tuple of str
        How it could be read as a time, of "iso", "unix_s", "unix_ms"; none if it can't be one.
    branch : tuple of str
        Names of what it stands in, from the message itself inwards, and its own at the end.
    """

    label: str
    shown: str
    kind: Kind
    finds: dict[str, Any] = field(default_factory=dict)
    payload: bytes = b""
    times: tuple[str, ...] = ()
    branch: tuple[str, ...] = ()


def tree(found: Sequence[Spot]) -> list[list[tuple[int, str]]]:
    """Return what a tree of the message has before each spot and the spot's own line.

    Parameters
    ----------
    found : sequence of Spot
        In the order of the message.

    Returns
    -------
    list of list of (int, str)
        Of each spot how deep each of its lines stands and its name; the last line is the spot itself,
        those before it the branches that begin there.
    """
    lines: list[list[tuple[int, str]]] = []
    above: tuple[str, ...] = ()
    for one in found:
        names = one.branch or (one.label,)
        same = 0
        while same < min(len(above), len(names) - 1) and above[same] == names[same]:
            same += 1
        lines.append([(deep, names[deep]) for deep in range(same, len(names))])
        above = names[:-1]
    return lines


def spots(payload: bytes, now_utc: datetime) -> list[Spot]:
    """Give the spots of a message in its order, at most `MOST`.

    Parameters
    ----------
    payload : bytes
        As it came.
    now_utc : datetime
        Now, by which a number can be told from a time.
    """
    try:
        body = parse_json(payload)
    except WireError:
        return list(_of_cbor(payload, (), now_utc))[:MOST] or list(_of_text(payload, now_utc))[:MOST]
    if not isinstance(body, dict | list):
        return [_leaf("the payload", body, {"format": "plain"}, now_utc)]
    found: list[Spot] = []
    for one in _of_json(body, "", (), (), now_utc):
        found.append(one)
        if len(found) == MOST:
            break
    return found


def _of_cbor(
    payload: bytes, inside: tuple[str, ...], now_utc: datetime, branch: tuple[str, ...] = ()
) -> Iterator[Spot]:
    """Give the spots of a CBOR array or map, none of anything else."""
    try:
        body = cbor.parse(payload) if cbor.begins(payload) else None
    except WireError:
        return
    if body is not None:
        yield from _of_json(body, "", (*inside, unwrap.CBOR), branch, now_utc)


def _of_text(payload: bytes, now_utc: datetime) -> Iterator[Spot]:
    try:
        words = payload.decode()
    except UnicodeDecodeError:
        yield _bytes("the payload", payload, ())
        return
    bare = words.strip()
    for sign in _SEPARATORS:
        rows = _rows(bare, sign)
        if rows and len(rows[-1]) > 1 and sum(bool(_NUMBER.fullmatch(cell)) for cell in rows[-1]):
            if sign == "," and len(rows[-1]) == 2 and _NUMBER.fullmatch(bare):
                break  # a number with a decimal comma
            for index, cell in enumerate(rows[-1]):
                finds = {"format": "csv", "line": {"column": index, "separator": sign}}
                kind = Kind.NUMBER if _NUMBER.fullmatch(cell) else Kind.TEXT
                yield Spot(label=f"column {index}", shown=_short(cell), kind=kind, finds=finds)
            return
    yield Spot(
        label="the payload",
        shown=_short(bare),
        kind=Kind.NUMBER if _NUMBER.fullmatch(bare) else Kind.TEXT,
        finds={"format": "plain"},
    )
    for step, inside in _packed(bare):
        yield from _of_cbor(inside, (step,), now_utc)
        yield _bytes(f"the payload as {step}", inside, (step,))


def _rows(words: str, separator: str) -> list[list[str]]:
    try:
        return [row for row in csv.reader(io.StringIO(words), delimiter=separator) if row]
    except csv.Error:
        return []


def _of_json(
    body: Any,  # noqa: ANN401 - JSON can be anything
    path: str,
    inside: tuple[str, ...],
    branch: tuple[str, ...],
    now_utc: datetime,
) -> Iterator[Spot]:
    if len(branch) > DEEPEST:
        return
    if isinstance(body, dict):
        for key, value in body.items():
            yield from _of_json(value, _join(path, str(key)), inside, (*branch, printable(str(key))), now_utc)
        return
    finds: dict[str, Any] = {"format": "json", "value": path or "@"}
    if inside:
        finds["inside"] = list(inside)
    if isinstance(body, list):
        numbers = [one for one in body if isinstance(one, int | float) and not isinstance(one, bool)]
        if len(body) > 1 and len(numbers) == len(body):
            label = f"{_label(path, inside)}, all {len(body)}"
            names = (*branch, f"all {len(body)}")
            yield Spot(label=label, shown=_short(json.dumps(body)), kind=Kind.LIST, finds=finds, branch=names)
        for index, value in enumerate(body[:20]):
            yield from _of_json(value, f"{path}[{index}]", inside, (*branch, f"[{index}]"), now_utc)
        return
    yield _leaf(_label(path, inside), body, finds, now_utc, branch)
    if isinstance(body, str) and len(inside) + 1 < unwrap.MOST_STEPS:
        yield from _within(body, path, inside, branch, now_utc)


def _within(
    words: str, path: str, inside: tuple[str, ...], branch: tuple[str, ...], now_utc: datetime
) -> Iterator[Spot]:
    """Look into a text that may hold JSON or bytes."""
    steps = (*inside, f"{unwrap.AT}{path}")
    held = (*branch[:-1], f"in {(branch or ('the payload',))[-1]}")
    if words.lstrip()[:1] in {"{", "["}:
        try:
            body = parse_json(words.encode(errors="replace"))
        except WireError:
            return
        yield from _of_json(body, "", steps, held, now_utc)
        return
    for step, payload in _packed(words):
        if len(steps) + 1 < unwrap.MOST_STEPS:
            yield from _of_cbor(payload, (*steps, step), now_utc, held)
        yield _bytes(f"{_label(path, inside)} as {step}", payload, (*steps, step), (*held, f"as {step}"))


def _packed(words: str) -> Iterator[tuple[str, bytes]]:
    bare = words.strip()
    if _NUMBER.fullmatch(bare) and len(bare) < 8:
        return
    if _HEX.fullmatch(bare):
        yield "hex", bytes.fromhex(bare)
    if _BASE64.fullmatch(bare) and len(bare.rstrip("=")) % 4 != 1:
        try:
            whole = bare.rstrip("=").replace("-", "+").replace("_", "/")
            yield "base64", base64.b64decode(whole + "=" * (-len(whole) % 4), validate=True)
        except (binascii.Error, ValueError):
            return


def _bytes(label: str, payload: bytes, inside: tuple[str, ...], branch: tuple[str, ...] = ()) -> Spot:
    finds: dict[str, Any] = {"format": "bytes"}
    if inside:
        finds["inside"] = list(inside)
    shown = _short(payload.hex(" "))
    return Spot(label=label, shown=shown, kind=Kind.BYTES, finds=finds, payload=payload, branch=branch)


def _leaf(
    label: str, value: object, finds: dict[str, Any], now_utc: datetime, branch: tuple[str, ...] = ()
) -> Spot:
    if isinstance(value, bool):
        kind = Kind.YES_NO
    elif isinstance(value, int | float) or (isinstance(value, str) and _NUMBER.fullmatch(value)):
        kind = Kind.NUMBER
    else:
        kind = Kind.TEXT
    shown = value if isinstance(value, str) else json.dumps(value)
    times = times_of(value, now_utc)
    return Spot(label=label, shown=_short(shown), kind=kind, finds=finds, times=times, branch=branch)


def times_of(value: object, now_utc: datetime) -> tuple[str, ...]:
    """Return how a value could be read as a time that can be true."""
    if isinstance(value, bool):
        return ()
    if isinstance(value, str):
        try:
            moment = datetime.fromisoformat(value)
        except ValueError:
            return times_of(float(value), now_utc) if re.fullmatch(r"\d{9,14}", value) else ()
        return ("iso",) if len(value) >= 16 and moment.year >= 2000 else ()
    if isinstance(value, int | float):
        found = [("unix_s", float(value)), ("unix_ms", value / 1000)]
        return tuple(form for form, seconds in found if is_right(seconds, now_utc))
    return ()


def _join(path: str, key: str) -> str:
    name = key if _NAME.fullmatch(key) else json.dumps(key)
    return f"{path}.{name}" if path else name


def _label(path: str, inside: tuple[str, ...]) -> str:
    around = "".join(f"{one.removeprefix(unwrap.AT)}: " for one in inside if one.startswith(unwrap.AT))
    return printable(f"{around}{path or 'the payload'}")


def _short(words: str) -> str:
    return printable(words if len(words) <= _SHOWN else words[: _SHOWN - 1] + "…")
