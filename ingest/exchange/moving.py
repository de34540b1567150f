"""A shop's readings carried from one store to another: counted, compared, and gone on with after a kill.

No progress is kept: what has arrived is found by comparing, timber by timber and place by place, and a
reading that stands there already is not written twice. The settings name the new store only when all agrees.
"""

from __future__ import annotations

import hashlib
import os
import secrets
import tomllib
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final

import tomlkit

from baulk.ingest.config import FILE, Config, StorePart
from baulk.ingest.errors import ExchangeError
from baulk.ingest.store import Store, notes, open_store
from baulk.ingest.store.base import DAY_US, from_us, to_us
from baulk.models.quantity import Owner
from baulk.models.reading import Reading

_AT_ONCE: Final = 5000  # readings that are held at once
_LISTENS: Final = timedelta(minutes=3)  # a listener notes its session more often
Told = Callable[[str, int], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Moved:
    """What was carried over.

    Parameters
    ----------
    readings : int
        How many stand in the new store, as many as in the old.
    carried : int
        How many of them were new there, the rest had come before.
    names : int
        Timbers and places.
    """

    readings: int
    carried: int
    names: int


def carry(source: Store, target: Store, told: Told = lambda *_: None) -> Moved:
    """Bring every reading of one store into another of the same shop, and compare them.

    Parameters
    ----------
    source, target : Store
        From where, and where to.
    told : callable, optional
        Called with each timber or place and how many readings of it were new.

    Raises
    ------
    ExchangeError
        If the new store has other readings in the end; the old one is not touched.
    """
    names = list(dict.fromkeys((each.owner, each.name) for each in source.series()))
    readings = carried = 0
    for owner, name in names:
        here = _digest(source, owner, name)
        if here != _digest(target, owner, name):
            new = sum(target.take_over(part) for part in _parts(source, owner, name))
            carried += new
            told(name, new)
            here = _digest(source, owner, name)
            there = _digest(target, owner, name)
            if here != there:
                raise ExchangeError(
                    f"{owner.value} {name} has {here[0]} readings in the old store and {there[0]} in the "
                    "new, or other ones: nothing is switched over. Is a listener writing, or do readings of "
                    "an earlier time lie there? Empty the new place, then go on"
                )
        readings += here[0]
    more = {(each.owner, each.name) for each in target.series()} - set(names)
    extra = [name for owner, name in sorted(more) if _digest(target, owner, name)[0]]
    if extra:
        raise ExchangeError(
            f"the new store has readings of {', '.join(extra[:5])}, which the old one has not; empty it first"
        )
    return Moved(readings=readings, carried=carried, names=len(names))


def move(config: Config, part: StorePart, told: Told = lambda *_: None) -> Moved:
    """Carry the readings into the store that the settings are to name, then have them name it.

    Raises
    ------
    ExchangeError
        If a listener is connected, if register and books would have to move too, or if what arrived differs.
    """
    if part.postgres_url != config.store.postgres_url:
        raise ExchangeError(
            "register, evaluations and quarantine lie in the shop's file or in PostgreSQL, and stay "
            "there: only readings are moved. A shop in a file goes to an InfluxDB server and back, one in "
            "PostgreSQL likewise"
        )
    with (
        closing(open_store(config)) as source,
        closing(open_store(config.model_copy(update={"store": part}))) as target,
    ):
        _refuse_while_listening(source)
        done = carry(source, target, told)
        target.recount()
    _name_store(config, part)
    return done


def settings_for(config: Config, kind: str, **where: str | None) -> StorePart:
    """Give the settings of a store of another kind, with register and books where they are."""
    kept = config.store.model_dump()
    kept |= {"kind": kind, "token": config.store.token, "password": config.store.password}
    kept |= {"url": None, "books_url": None, "org": None}
    books = config.store.postgres_url
    if kind == "influx":
        kept |= {key: value for key, value in where.items() if value is not None} | {"books_url": books}
    elif kind == "postgres":
        kept["url"] = books or where.get("url")
    return StorePart.model_validate(kept)


def toml_for(text: str, part: StorePart) -> str:
    """Write the settings with another store in them; all the rest stays as the person wrote it."""
    document: Any = tomlkit.parse(text)
    table = document.setdefault("store", tomlkit.table())
    for key in ("kind", "url", "books_url", "org", "bucket", "kept_bucket"):
        value = getattr(part, key)
        if value is None or (part.kind != "influx" and key in {"org", "bucket", "kept_bucket"}):
            table.pop(key, None)
        else:
            table[key] = value
    after: str = tomlkit.dumps(document)
    if tomllib.loads(after).get("store", {}).get("kind") != part.kind:
        raise ExchangeError(f"[store] of {FILE} is written in an odd way; set kind = {part.kind!r} by hand")
    return after


def _name_store(config: Config, part: StorePart) -> None:
    path = config.shop_dir / FILE
    after = toml_for(path.read_text(encoding="utf-8"), part)
    new = path.with_name(f".{FILE}.{secrets.token_hex(4)}.part")
    try:
        with new.open("w", encoding="utf-8") as file:
            file.write(after)
            file.flush()
            os.fsync(file.fileno())
        new.chmod(path.stat().st_mode)
        new.replace(path)
    finally:
        with suppress(OSError):
            Path(new).unlink(missing_ok=True)


def _refuse_while_listening(store: Store) -> None:
    now = datetime.now(UTC)
    for name, session in notes.sessions(store).items():
        if now - session.seen_utc < _LISTENS:
            ago_s = (now - session.seen_utc).total_seconds()
            raise ExchangeError(
                f"the listener {name} was connected {ago_s:.0f} s ago; stop it, "
                "wait three minutes, then move: what comes meanwhile waits at the broker"
            )


def _parts(store: Store, owner: Owner, name: str) -> Iterator[list[Reading]]:
    """Give the readings of a timber or place in the order of time, some thousand at once."""
    counts = store.daily_means(owner, name).groupby("posix_s")["count"].sum()
    start: int | None = None
    end = held = 0
    for posix_s, count in counts.items():
        day = round(float(str(posix_s))) * 1_000_000
        if start is not None and held + count > _AT_ONCE:
            yield store.readings(owner, name, from_us(start), from_us(end))
            start, held = None, 0
        start = day if start is None else start
        end, held = day + DAY_US - 1, held + int(count)
    if start is not None:
        yield store.readings(owner, name, from_us(start), from_us(end))


def _digest(store: Store, owner: Owner, name: str) -> tuple[int, str]:
    """Give how many readings there are, and a sum over every part of each."""
    total, count = hashlib.blake2b(digest_size=16), 0
    for part in _parts(store, owner, name):
        for one in part:
            told = (str(one.series), to_us(one.taken_utc), float(one.value), to_us(one.arrived_utc))
            total.update(repr((*told, one.source, one.flags)).encode())
        count += len(part)
    return count, total.hexdigest()
