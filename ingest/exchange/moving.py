"""A shop carried from one store to another: counted, compared, and gone on with after a kill.

No progress is kept: what has arrived is found by comparing, timber by timber and page by page, and what
stands there already is not written twice. Readings go alone where register and books stay, else everything
goes. The settings name the new store only when all agrees.
"""

from __future__ import annotations

import hashlib
import os
import secrets
import tomllib
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any, Final

import tomlkit

from baulk.ingest.config import FILE, Config, StorePart
from baulk.ingest.errors import ExchangeError
from baulk.ingest.exchange import moving_books
from baulk.ingest.exchange.moving_books import Told
from baulk.ingest.exchange.moving_end import End
from baulk.ingest.store import Store, gate, open_store
from baulk.ingest.store.moments import from_us, to_us
from baulk.ingest.store.postgres_server import name_of
from baulk.ingest.store.whole_tables import READING
from baulk.models.errors import OutOfRange
from baulk.models.quantity import Owner
from baulk.models.reading import Reading

_AT_ONCE: Final = 5000  # readings that are held at once
_WAIT_S: Final = 60.0
_ROUNDS: Final = 5  # of comparing while nobody else may write
_PLACE: Final = ("kind", "url", "org", "bucket", "kept_bucket")
Span = tuple[datetime | None, datetime | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Moved:
    """What was carried over.

    Parameters
    ----------
    readings : int
        How many stand in the new store, as many as in the old.
    carried : int
        How many of them were new there, the rest had come before; of everything, where books went too.
    names : int
        Timbers and places.
    rows : dict of str to int
        Rows of each table that went, where register and books went too.
    """

    readings: int
    carried: int
    names: int
    rows: dict[str, int] = field(default_factory=dict)


def untold(what: str, count: int, unit: str) -> None:
    """Tell nobody how far it is."""


def carry(
    source: Store,
    target: Store,
    told: Told = untold,
    *,
    alive: Callable[[], object] = lambda: None,
    is_still: Callable[[], bool] = lambda: True,
) -> Moved:
    """Bring every reading of one store into another of the same shop, and compare them.

    What lies in the shop's own database of an earlier time, and is no longer so, goes; from a server nothing
    is taken away.

    Parameters
    ----------
    source, target : Store
        From where, and where to.
    told : callable, optional
        Called with each timber or place and how many readings of it were new.
    alive : callable, optional
        Called again and again.
    is_still : callable, optional
        Whether nobody else has written since; while somebody does, a difference is none.

    Raises
    ------
    ExchangeError
        If the new store has other readings in the end; the old one is not touched.
    """
    names = list(dict.fromkeys((each.owner, each.name) for each in source.series()))
    more = sorted({(each.owner, each.name) for each in target.series()} - set(names))
    readings = carried = 0
    for owner, name in names + ([] if target.apart else more):
        alive()
        here = _digest(source, owner, name)
        if here != _digest(target, owner, name):
            new = _carry_name(source, target, owner, name)
            carried += new
            told(name, new, "readings")
            here = _digest(source, owner, name)
            there = _digest(target, owner, name)
            if here != there and is_still():
                raise ExchangeError(
                    f"{owner.value} {name} has {here[0]} readings in the old store and {there[0]} in the "
                    "new, or other ones: nothing is switched over. Do readings of an earlier time lie there? "
                    "Empty the new place, then go on"
                )
        readings += here[0]
    extra = [name for owner, name in more if _digest(target, owner, name)[0]]
    if extra and is_still():
        raise ExchangeError(
            f"the new store has readings of {', '.join(extra[:5])}, which the old one has not; empty it first"
        )
    return Moved(readings=readings, carried=carried, names=len(names))


def move(config: Config, part: StorePart, told: Told = untold) -> Moved:
    """Carry a shop into the store that the settings are to name, then have them name it.

    Others may go on writing: for the last comparison they have to wait, and after it they find that the shop
    has left (`baulk.ingest.store.gate`) and go on in the new store.

    Raises
    ------
    ExchangeError
        If the new place holds something else, if what arrived differs, or if the shop is elsewhere already.
    """
    changed, to = _patient(config.model_copy(update={"store": part})), called(part)
    with closing(open_store(_patient(config), durable=True)) as source:
        sql = moving_books.database(source).sql
        gone = gate.left_for(sql.ask(gate.ASK), config.store.kind)
        if gone and gone != to:
            raise ExchangeError(
                f"the shop went to {gone} already; {FILE} has to name that under [store] first"
            )
        sql.gate.moves = True
        source.settle()
        if part.postgres_url != config.store.postgres_url:
            moving_books.prepare(changed, source)
        with closing(open_store(changed, durable=True)) as target:
            with End(source, target, part.kind, to) as end:
                done = copy(config, source, changed, target, told, end=end)
                end.then(lambda: _name_store(config, part))
            moving_books.finish(source, target)
    return done


def _patient(config: Config) -> Config:
    """Wait for other writers longer than they wait for this one."""
    part = config.store.model_copy(update={"wait_s": max(_WAIT_S, config.store.wait_s)})
    return config.model_copy(update={"store": part})


def reopen(config: Config) -> str:
    """Take up again the store that the settings name, which the shop had left; return where it had gone."""
    with closing(open_store(config, durable=True)) as store:
        sql = moving_books.database(store).sql
        gone = gate.left_for(sql.ask(gate.ASK), config.store.kind)
        sql.gate.moves = True
        with sql.alone() as at:
            gate.open_again(at.run)
    return gone


def called(part: StorePart) -> str:
    """Say where a store is, as a sentence does."""
    books = "" if part.postgres_url is None else name_of(part.postgres_url)
    if part.kind == "influx":
        beside = f" with the database {books}" if books else ""
        return f"InfluxDB, {part.org} on {part.url}{beside}"
    return f"PostgreSQL, {books}" if books else f"the file {part.path}"


def copy(  # noqa: PLR0913 - two stores, and what to do with them
    config: Config,
    source: Store,
    changed: Config,
    target: Store,
    told: Told = untold,
    *,
    end: End | None = None,
) -> Moved:
    """Carry a shop into an open store, compared.

    Parameters
    ----------
    config, changed : Config
        The settings as they are, and with the new store in them.
    source, target : Store
        Both open. Where register and books go too, the new database is one that `moving_books.prepare` made.
    told : callable, optional
        Called with what went, how many of it, and what these are.
    end : End, optional
        Keeps everybody out for the last comparison and has the old store say so; without it a copy is made.

    Raises
    ------
    ExchangeError
        If what arrived differs, or others go on writing all the while, which only an older Baulk can.
    """
    moving_books.database(target).sql.gate.moves = True  # what it takes over says of itself where it was
    if changed.store.postgres_url == config.store.postgres_url and changed.store_path == config.store_path:
        return _copy_readings(source, target, told, end)
    source.series()  # which makes the books' list of them whole
    begun = source.revision()
    beside = not source.apart and not target.apart
    same_place = all(getattr(config.store, each) == getattr(changed.store, each) for each in _PLACE)
    alone = not beside and not same_place  # readings go by themselves
    written = moving_books.carry(source, target, told, readings=beside)
    went = Moved(readings=0, carried=0, names=0)
    if alone:
        went = carry(source, target, told, is_still=lambda: source.revision() == begun)
    if end is not None:
        end.close()
    with moving_books.held(source, target, begun, told, readings=beside) as (at, rows):
        if alone and source.revision() != begun:
            went = carry(source, target, told)
        if target.apart:
            target.recount()
        if end is not None:
            end.switch(at, left=True)
        else:
            moving_books.unmarked(target)
    return Moved(
        readings=rows.get(READING, went.readings),
        carried=written + went.carried,
        names=len({(each.owner, each.name) for each in target.series()}),
        rows=rows,
    )


def _copy_readings(source: Store, target: Store, told: Told, end: End | None) -> Moved:
    """Carry readings where register and books stay, so that both stores write to one database."""
    if end is None:
        done = carry(source, target, told)
        target.recount()
        return done
    before = end.by_others()
    done = carry(source, target, told, is_still=lambda: end.by_others() == before)
    target.recount()
    end.close()
    for _ in range(_ROUNDS):
        if (now := end.by_others()) != before:
            before = now
            again = carry(source, target, told, alive=end.renew)
            done = replace(again, carried=done.carried + again.carried)
            target.recount()
        with moving_books.database(source).sql.alone() as at:
            if end.by_others() == before:
                end.switch(at, left=False)
                return done
    raise ExchangeError("the shop is being written to all the while; stop what writes, then go on")


def settings_for(  # noqa: PLR0913 - one a setting
    config: Config,
    kind: str,
    *,
    url: str | None = None,
    org: str | None = None,
    bucket: str | None = None,
    kept_bucket: str | None = None,
    books: str | None = None,
) -> StorePart:
    """Give the settings of another store; what is left out stays as it is.

    Parameters
    ----------
    config : Config
        The settings as they are.
    kind : str
        What kind of store.
    url : str, optional
        Of its server. Left out with "postgres", the database that has register and books already.
    org, bucket, kept_bucket : str, optional
        At an InfluxDB server.
    books : str, optional
        With "influx": the PostgreSQL database where register and books go, or "file" for the shop's own file.

    Raises
    ------
    OutOfRange
        If that is where the shop is already.
    """
    now = config.store
    kept = now.model_dump() | {"kind": kind, "token": now.token, "password": now.password}
    if kind == "influx":
        given = {"url": url, "org": org, "bucket": bucket, "kept_bucket": kept_bucket}
        if now.kind != "influx":
            kept |= {"url": None, "org": None}
        kept |= {key: value for key, value in given.items() if value is not None}
        kept["books_url"] = now.postgres_url if books is None else None if books == "file" else books
    else:
        if books is not None:
            raise OutOfRange("--books", f"goes with --to influx; in {kind} register and readings are one")
        kept |= {"org": None, "books_url": None, "url": None}
        if kind == "postgres":
            kept["url"] = url or now.postgres_url
    part = StorePart.model_validate(kept)
    stays = all(getattr(part, each) == getattr(now, each) for each in _PLACE)
    if stays and part.postgres_url == now.postgres_url:
        raise OutOfRange("--to", f"names another store than now, not {kind}")
    if kind == now.kind == "influx" and not stays:
        raise OutOfRange(
            "--server, --org and the buckets",
            "stay as they are within InfluxDB, where only --books is moved; go by --to sqlite or postgres",
        )
    return part


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


def _carry_name(source: Store, target: Store, owner: Owner, name: str) -> int:
    new = 0
    for since, until in _spans(source, owner, name):
        rows = source.readings(owner, name, since, until)
        gone: list[Reading] = []
        if not target.apart:
            here, there = set(rows), target.readings(owner, name, since, until)
            gone = [one for one in there if one not in here]
        new += target.take_over(rows, gone)
    return new


def _spans(store: Store, owner: Owner, name: str) -> Iterator[Span]:
    """Give stretches of time, one after the other, with some thousand readings of a timber in each."""
    counts = store.daily_means(owner, name).groupby("posix_s")["count"].sum()
    since: datetime | None = None
    held = 0
    for posix_s, count in counts.items():
        if held and held + count > _AT_ONCE:
            day = round(float(str(posix_s))) * 1_000_000
            yield since, from_us(day - 1)
            since, held = from_us(day), 0
        held += int(count)
    yield since, None


def _digest(store: Store, owner: Owner, name: str) -> tuple[int, str]:
    """Give how many readings there are, and a sum over every part of each."""
    total, count = hashlib.blake2b(digest_size=16), 0
    for since, until in _spans(store, owner, name):
        for one in store.readings(owner, name, since, until):
            told = (str(one.series), to_us(one.taken_utc), float(one.value), to_us(one.arrived_utc))
            total.update(repr((*told, one.source, one.flags)).encode())
            count += 1
    return count, total.hexdigest()
