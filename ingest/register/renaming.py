"""A timber under another tag: every row with the old one is changed, in the transaction of the correction.

Readings hang on the number of their series and are not touched; at a server of their own they stay under the
first tag (`baulk.ingest.store.by_first_tag`). The former tag stays taken and still reaches the timber, for
labels, sensors and files bear it (`baulk.ingest.store.names`).
"""

from __future__ import annotations

import json
import zlib
from dataclasses import replace
from typing import Any, Final

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from baulk.ingest.errors import RegisterError
from baulk.ingest.register.tables import EVENT, TIMBER
from baulk.ingest.store import names
from baulk.ingest.store.names import Names
from baulk.models.quantity import Owner
from baulk.models.reading import Series
from baulk.models.timber import EventKind

FIELD: Final = "tag"  # of the correction that changes it
APART: Final = "readings_apart"  # option of the connection: whether readings lie elsewhere than the books
_TIMBER: Final = Owner.TIMBER.value
_NOTE: Final = sa.table("note", sa.column("key", sa.String), sa.column("value", sa.LargeBinary))
_SERIES: Final = sa.table("series", *(sa.column(name) for name in ("id", "text", "owner", "name")))
_READING: Final = sa.table("reading", sa.column("series"))
_TOUCHED: Final = sa.table("touched", sa.column("owner"), sa.column("name"))
_EVALUATIONS: Final = tuple(sa.table(name, sa.column("tag")) for name in ("evaluation", "past_evaluation"))
# the notes of a timber, by what their keys begin with: before its tag alone, and before its series
_OF_TAG: Final = ("asked/", "choices/", "fit/", "found/", "looked-over/", "plan-stock/")
_OF_SERIES: Final = (f"correction/{_TIMBER}/", f"waiting/{_TIMBER}/")
_LEFT: Final = ("days/again/", "days/of/")  # worked out anew from the readings,
_LEFT_YEARS: Final = "days/year/"  # and these, of which a timber has several
# the notes that name timbers or series in what they say
_SAYING: Final = (
    "air-plan/",
    "air-promise/",
    "arrival/",
    "correction/",
    "decoded-again/",
    "mapping/",
    "notices",
    "sensor-drift",
    "swapped tags",
    "waiting/",
    "walk/",
    "yard",
)
_WORDS: Final = frozenset({"by", "note", "place"})  # what a person wrote is left alone
_ZIPPED: Final = b"\x78"  # begins what zlib packed


def known(base: Connection) -> Names:
    """Give the tags that were changed."""
    note = base.execute(sa.select(_NOTE.c.value).where(_NOTE.c.key == names.KEY)).scalar()
    return names.read(bytes(note or b""))


def refuse_taken(base: Connection, tag: str, next_tag: str, *, mine: str = "") -> None:
    """Refuse a tag that another timber has or had; its own former ones a timber may have again."""
    same = sa.select(TIMBER.c.tag).where(sa.func.lower(TIMBER.c.tag) == tag.lower())
    taken = base.execute(same).scalar()
    if taken is not None and taken != mine:
        raise RegisterError(f"the tag {taken} is in use already; the next free one is {next_tag}")
    now = known(base).like(tag)
    if now is not None and now != mine:
        raise RegisterError(
            f"{now} had the tag {tag} before, and a label or a sensor may still bear it; "
            f"the next free one is {next_tag}"
        )


def rename(base: Connection, old: str, new: str) -> None:
    """Bring everything of a timber from one tag to another; the caller enters the correction itself."""
    for table in _EVALUATIONS:
        base.execute(sa.delete(table).where(table.c.tag == new))  # of a timber that was taken out
        base.execute(sa.update(table).where(table.c.tag == old).values(tag=new))
    mine = _TOUCHED.c.owner == _TIMBER
    base.execute(sa.delete(_TOUCHED).where(mine, _TOUCHED.c.name == new))
    base.execute(sa.update(_TOUCHED).where(mine, _TOUCHED.c.name == old).values(name=new))
    _rename_series(base, old, new)
    base.execute(sa.update(EVENT).where(EVENT.c.tag == old).values(tag=new))
    base.execute(sa.update(TIMBER).where(TIMBER.c.tag == old).values(tag=new))
    _rename_notes(base, old, new)


def note_down(base: Connection) -> None:
    """Write down what the corrections make of the tags, after one was entered or taken back."""
    found = _from_events(base)
    base.execute(sa.delete(_NOTE).where(_NOTE.c.key == names.KEY))
    base.execute(sa.insert(_NOTE).values(key=names.KEY, value=found.written()))


def _from_events(base: Connection) -> Names:
    there = set(base.execute(sa.select(TIMBER.c.tag)).scalars())
    asked = (
        sa.select(EVENT)
        .where(EVENT.c.kind == EventKind.EDITED.value, EVENT.c.detail["field"].as_string() == FIELD)
        .order_by(EVENT.c.at_us, EVENT.c.number)
    )
    former: dict[str, str] = {}
    first: dict[str, str] = {}
    undone: dict[str, str] = {}
    for row in base.execute(asked).mappings():
        tag, bore = row["tag"], (row["was"][FIELD], row["detail"]["new"])
        if tag not in there:
            continue
        if row["undone_us"] is None:
            first.setdefault(tag, bore[0])
            former.update({each: tag for each in bore if each != tag})
        else:
            undone.update({each: tag for each in bore if each != tag})
    return Names(
        former=former,
        first={tag: each for tag, each in first.items() if each != tag},
        undone={each: tag for each, tag in undone.items() if each not in former},
    )


def _rename_series(base: Connection, old: str, new: str) -> None:
    mine = _SERIES.c.owner == _TIMBER
    stray = base.execute(sa.select(_SERIES.c.id).where(mine, _SERIES.c.name == new)).scalars().all()
    for number in stray:  # of a timber that was taken out: its readings left it
        if base.execute(sa.select(_READING.c.series).where(_READING.c.series == number).limit(1)).first():
            raise RegisterError(f"readings are stored under {new} already, of no timber; take another tag")
        base.execute(sa.delete(_SERIES).where(_SERIES.c.id == number))
    asked = sa.select(_SERIES.c.id, _SERIES.c.text).where(mine, _SERIES.c.name == old)
    for number, text in base.execute(asked).all():
        said = str(replace(Series.parse(text), name=new))
        base.execute(sa.update(_SERIES).where(_SERIES.c.id == number).values(text=said, name=new))
        if base.get_execution_options().get(APART):  # the list is the server's too, which keeps the first tag
            _list_again(base, replace(Series.parse(text), name=known(base).entered_as(old)))


def _list_again(base: Connection, series: Series) -> None:
    text = str(series)
    if base.execute(sa.select(_SERIES.c.id).where(_SERIES.c.text == text)).first() is None:
        base.execute(sa.insert(_SERIES).values(text=text, owner=_TIMBER, name=series.name))


def _rename_notes(base: Connection, old: str, new: str) -> None:
    lost = [start + tag for start in _LEFT for tag in (old, new)]
    years = tuple(f"{_LEFT_YEARS}{tag}/" for tag in (old, new))
    keys = list(base.execute(sa.select(_NOTE.c.key)).scalars())
    lost += [key for key in keys if key.startswith(years)]
    base.execute(sa.delete(_NOTE).where(_NOTE.c.key.in_(lost)))
    for key in set(keys).difference(lost):
        renamed = _key(key, old, new)
        if renamed != key:
            base.execute(sa.delete(_NOTE).where(_NOTE.c.key == renamed))
            base.execute(sa.update(_NOTE).where(_NOTE.c.key == key).values(key=renamed))
        if not renamed.startswith(_SAYING):
            continue
        value = bytes(base.execute(sa.select(_NOTE.c.value).where(_NOTE.c.key == renamed)).scalar() or b"")
        said = _said(value, old, new)
        if said != value:
            base.execute(sa.update(_NOTE).where(_NOTE.c.key == renamed).values(value=said))


def _key(key: str, old: str, new: str) -> str:
    for start in _OF_TAG:
        if key == start + old:
            return start + new
    for start in _OF_SERIES:
        if key.startswith(f"{start}{old}/"):
            return start + new + key[len(start) + len(old) :]
    return key


def _said(value: bytes, old: str, new: str) -> bytes:
    """Give what a note says under the new tag; one that does not name the timber stays as it is."""
    zipped = value.startswith(_ZIPPED)
    try:
        body = json.loads(zlib.decompress(value) if zipped else value)
    except (ValueError, zlib.error):
        return value
    made = _in(body, old, new)
    if made == body:
        return value
    text = json.dumps(made).encode()
    return zlib.compress(text) if zipped else text


def _in(value: Any, old: str, new: str) -> Any:  # noqa: ANN401 - whatever JSON holds
    if isinstance(value, dict):
        return {
            _text(key, old, new): each if key in _WORDS else _in(each, old, new)
            for key, each in value.items()
        }
    if isinstance(value, list):
        return [_in(each, old, new) for each in value]
    return _text(value, old, new) if isinstance(value, str) else value


def _text(text: str, old: str, new: str) -> str:
    """Return a text that is the tag, its series, or what a notice is about, under the new tag."""
    for start, after in _BEFORE:
        begin = start + old + after
        if text.startswith(begin):
            return start + new + after + text[len(begin) :]
    return " and ".join(new if each == old else each for each in text.split(" and "))


_BEFORE: Final = ((f"{_TIMBER}/", "/"), ("", ", "))
