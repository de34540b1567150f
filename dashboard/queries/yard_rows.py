"""The yard at a glance: every timber with its verdict, its newest reading and what it asks for."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Final

from baulk.dashboard import words
from baulk.dashboard.server.shop_access import ask as _ask
from baulk.ingest.evaluation.document import Summary
from baulk.ingest.evaluation.document_read import summary_once
from baulk.ingest.shop import Shop
from baulk.models.errors import BaulkError
from baulk.models.quantity import Owner
from baulk.models.reason import Reason
from baulk.models.timber import Timber

if TYPE_CHECKING:
    import pandas as pd

SILENT_AFTER: Final = timedelta(days=30)
MANY_LEFT_OUT: Final = 3
MANY_SHARE: Final = 0.1  # of the readings of a timber; our own judgement, no source
_NO_QUARREL: Final = frozenset({
    "calibration.frozen", "calibration.wet_surface", "calibration.wet_outlier", "calibration.near_end",
    "calibration.before_arrival", "calibration.in_future", "calibration.other_kind",
})  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class _Held:
    """What the shop holds of one timber; the same until the store's revision grows."""

    timber: Timber
    answer: Summary | None
    trouble: str | None
    newest_utc: datetime | None
    former: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Looked:
    """What was seen of a shop at a revision, and by what one sees that it holds no longer.

    Thinning numbers no change of a timber: its newest reading may then be told with the moment before it.
    """

    revision: int
    changes: Mapping[str, tuple[int, int]]
    marks: Mapping[str, tuple[int, int, int]]
    names: bytes
    held: Mapping[str, _Held]


FEW: Final = 100  # timbers with news that are asked for one by one; of more all are read together
_LAST: dict[Path, _Looked] = {}  # by shop folder; only the shop's own thread comes here


@dataclass(frozen=True, slots=True, kw_only=True)
class YardRow:
    """One timber on the Yard page."""

    timber: Timber
    use: str
    answer: Summary | None
    newest_utc: datetime | None
    attention: tuple[str, ...]
    rank: int
    former: tuple[str, ...] = ()  # tags that it had before
    unread: str = ""  # for how long nobody has read it, where that is long
    trouble: str | None = None

    @property
    def disagree(self) -> int:
        """Return how many of its readings disagree, where they are many of all that it has."""
        if self.answer is None:
            return 0
        held = self.answer.calibration
        count = disagreeing(held.left_out_coded)
        return count if count >= max(MANY_LEFT_OUT, MANY_SHARE * (held.used + count)) else 0

    @property
    def step(self) -> str | None:
        """Return the verdict's step, None while it is being worked out."""
        return self.answer.verdict.step if self.answer else None

    @property
    def told(self) -> words.Step:
        """Return how the verdict is told."""
        return words.judged(self.answer.verdict if self.answer else None)

    @property
    def square_utc(self) -> datetime | None:
        """Return when it becomes square-able."""
        return self.answer.verdict.dates.get("square") if self.answer else None


def _held(s: Shop) -> tuple[_Held, ...]:
    """Read of the shop what has changed since it was read last: many pages ask for it every few seconds."""
    revision, folder = s.store.revision(), s.config.shop_dir
    last = _LAST.get(folder)
    if last is None or last.revision != revision:
        last = _LAST[folder] = _looked(s, revision, last)
    return tuple(last.held.values())


def _looked(s: Shop, revision: int, last: _Looked | None) -> _Looked:
    changes, marks, names = s.store.changes(), s.store.evaluation_marks(), s.store.names()
    if last is not None and last.revision > revision:  # an older shop was put in its place
        last = None
    before = last or _Looked(revision=0, changes={}, marks={}, names=b"", held={})
    same_rows = names.mark == before.names and _rows_of(changes) == _rows_of(before.changes)
    timbers = [each.timber for each in before.held.values()] if same_rows else s.register.list()
    known = before.held if same_rows else {tag: each for tag, each in before.held.items() if tag in changes}
    tags = [one.tag for one in timbers]
    answered = [tag for tag in tags if tag not in known or marks.get(tag) != before.marks.get(tag)]
    read = [tag for tag in tags if tag not in known or changes.get(tag) != before.changes.get(tag)]
    answers, newest = _answers(s, answered), _newest(s, read)
    held = {}
    for timber in timbers:
        tag = timber.tag
        answer, trouble = answers[tag] if tag in answers else (known[tag].answer, known[tag].trouble)
        held[tag] = _Held(
            timber=timber,
            answer=answer,
            trouble=trouble,
            newest_utc=newest[tag] if tag in newest else known[tag].newest_utc,
            former=names.of(tag) if names.former else (),
        )
    return _Looked(revision=revision, changes=changes, marks=marks, names=names.mark, held=held)


def _rows_of(changes: Mapping[str, tuple[int, int]]) -> dict[str, int]:
    return {tag: row for tag, (row, _) in changes.items()}


def _answers(s: Shop, tags: Sequence[str]) -> dict[str, tuple[Summary | None, str | None]]:
    """Give of each of these timbers its stored answer in short, or what is wrong with it."""
    if len(tags) > FEW:
        stored = {each.tag: each.payload for each in s.store.evaluations()}
    else:
        stored = {tag: found[1] for tag in tags if (found := s.store.evaluation(tag)) is not None}
    return {tag: _summary(stored.get(tag)) for tag in tags}


def _newest(s: Shop, tags: Sequence[str]) -> dict[str, datetime | None]:
    """Give when each of these timbers was read last."""
    found: dict[str, datetime | None] = dict.fromkeys(tags)
    if len(tags) > FEW:
        latest = s.store.latest(Owner.TIMBER)
    else:
        latest = [each for tag in tags for each in s.store.latest(Owner.TIMBER, tag)]
    for each in latest:
        name = each.series.name
        if name in found:
            found[name] = max(found[name] or each.taken_utc, each.taken_utc)
    return found


def _summary(payload: bytes | None) -> tuple[Summary | None, str | None]:
    if payload is None:
        return None, None
    try:
        return summary_once(payload), None
    except BaulkError as err:
        return None, str(err)


def any_timber() -> bool:
    """Tell whether there is a timber at all."""
    return _ask(lambda s: bool(_held(s)))


def rows(now: datetime) -> tuple[YardRow, ...]:
    """Return every timber, the one that needs attention first on top."""
    held, uses = _ask(lambda s: (_held(s), s.woods.use_classes))
    found = [
        YardRow(
            timber=each.timber,
            use=words.use(each.timber.use_class, uses),
            answer=each.answer,
            newest_utc=each.newest_utc,
            attention=attention,
            rank=rank,
            former=each.former,
            unread=_unread(each.newest_utc, now),
            trouble=each.trouble,
        )
        for each in held
        for attention, rank in [_attention(each.answer, each.newest_utc, now)]
    ]
    far = datetime.max.replace(tzinfo=UTC)
    return tuple(sorted(found, key=lambda r: (r.rank, r.square_utc or far, r.timber.tag)))


def _attention(answer: Summary | None, newest: datetime | None, now: datetime) -> tuple[tuple[str, ...], int]:
    """Say what a person should do about a timber, the most pressing thing first, and how pressing it is."""
    found: list[tuple[int, str]] = []
    if answer is not None and answer.verdict.contradiction is not None:
        found.append((0, "scale and pins contradict each other"))
    if answer is not None and answer.verdict.step == "square":
        found.append((0, "ready to square"))
    if answer is not None and answer.verdict.step == "rough out":
        found.append((1, "ready to rough out"))
    out = None if answer is None else answer.verdict.comes_out
    if out is not None and not out.sure:
        found.append(
            (1, f"{'no longer comes' if out.lost else 'may no longer come'} out at its finished size")
        )
    if newest is None:
        found.append((2, "never read: weigh it or drive pins"))
    elif said := _unread(newest, now):
        found.append((3, said))
    if answer is not None:
        if (disagree := disagreeing(answer.calibration.left_out_coded)) >= MANY_LEFT_OUT:
            found.append((4, f"{disagree} readings disagree"))
        if words.doubted(answer.verdict):
            found.append((4, "too few readings to be sure"))
    return tuple(text for _, text in sorted(found)), min((rank for rank, _ in found), default=5)


def _unread(newest: datetime | None, now: datetime) -> str:
    if newest is None:
        return "never read"
    return f"not read for {(now - newest).days} days" if now - newest > SILENT_AFTER else ""


def disagreeing(left_out: Sequence[Reason]) -> int:
    """Return how many readings were set aside because they disagree with the others.

    Parameters
    ----------
    left_out : sequence of Reason
        As the evaluation has them: one of a series tells how many of its readings. Those set aside for frost,
        rain, an end or a clock contradict nothing.
    """
    counts = [dict(each.values).get("count", 1) for each in left_out if each.code not in _NO_QUARREL]
    return sum(each if isinstance(each, int) else 1 for each in counts)


def table(found: list[YardRow]) -> pd.DataFrame:
    """Return the rows as a table to take away; each column's name carries its unit."""
    import pandas as pd  # noqa: PLC0415 - slow to load, and the first page needs none

    return pd.DataFrame(
        [
            {
                "tag": row.timber.tag,
                "species": row.timber.species,
                "place": row.timber.place,
                "use": row.use,
                "verdict": row.told.word,
                "square_from": row.square_utc,
                "probability_square_today": row.answer.verdict.probability.get("square")
                if row.answer
                else None,
                "probability_comes_out": row.answer.verdict.comes_out.probability
                if row.answer and row.answer.verdict.comes_out
                else None,
                "core_mc_pct": row.answer.core_now_pct.median if row.answer else None,
                "core_mc_low_pct": row.answer.core_now_pct.low if row.answer else None,
                "core_mc_high_pct": row.answer.core_now_pct.high if row.answer else None,
                "mean_mc_pct": row.answer.mean_now_pct.median if row.answer else None,
                "green_width_mm": row.timber.section.width_mm,
                "green_depth_mm": row.timber.section.depth_mm,
                "finished_width_mm": row.timber.finished.width_mm,
                "finished_depth_mm": row.timber.finished.depth_mm,
                "length_mm": row.timber.length_mm,
                "arrived": row.timber.arrived_utc,
                "newest_reading": row.newest_utc,
                "attention": "; ".join(row.attention),
            }
            for row in found
        ]
    )
