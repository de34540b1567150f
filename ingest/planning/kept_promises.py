"""Plans of a room's air kept to be looked back on: the first of each week, and those that somebody follows.

Each is a note, so that it goes into every backup with the others; at most `MOST` of a room, old ones thinned.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Final

from baulk.ingest.evaluation.document_read import summary_of
from baulk.ingest.planning import kept_form, kept_used
from baulk.ingest.shop import Shop
from baulk.models.air import AirSeries
from baulk.models.errors import NotFound, OutOfRange
from baulk.models.plan.humidity import lesson, looked_back, promise
from baulk.models.plan.humidity.air_plan import AirPlan
from baulk.models.plan.humidity.finished import is_finished
from baulk.models.plan.humidity.lesson import ChecksTold, Lesson
from baulk.models.plan.humidity.looked_back import Came, LookedBack, TimberCame
from baulk.models.plan.humidity.promise import Followed, Promise
from baulk.models.timber import Event, EventKind

PROMISE: Final = "air-promise/"
LESSON: Final = "air-lesson/"
MOST: Final = 104  # of one room
WHOLE_WEEKS: Final = 52  # newest that are all kept; of those before, every fourth week's
_STAMP: Final = "%Y%m%dT%H%M%S"


@dataclass(frozen=True, slots=True, kw_only=True)
class Back:
    """Every kept plan of a room looked back on.

    Parameters
    ----------
    place : str
        The room.
    plans : tuple of LookedBack
        The newest first.
    lesson : Lesson or None
        What they teach the next one.
    checks : ChecksTold or None
        Chances of a check against those entered.
    """

    place: str
    plans: tuple[LookedBack, ...]
    lesson: Lesson | None
    checks: ChecksTold | None


def _key(place: str, made_utc: datetime) -> str:
    return f"{PROMISE}{place}/{made_utc:{_STAMP}}"


def kept(shop: Shop, place: str) -> tuple[Promise, ...]:
    """Give the plans of a room that are kept, oldest first; one of another version is passed over."""
    found = []
    for stored in shop.store.notes(f"{PROMISE}{place}/").values():
        try:
            one = kept_form.read(Promise, json.loads(stored))
        except (ValueError, TypeError, KeyError, AttributeError):
            continue
        if isinstance(one, Promise) and one.place == place:  # a place's name may begin with another's
            found.append(one)
    return tuple(sorted(found, key=lambda one: one.made_utc))


def keep_first(shop: Shop, plan: AirPlan) -> None:
    """Keep a plan if it is the first of its week by the shop's clock, and what earlier ones teach it.

    A what-if promises nothing.

    Parameters
    ----------
    shop : Shop
        The open shop.
    plan : AirPlan
        As it was worked out.
    """
    if plan.what_if:
        return
    before = kept(shop, plan.place)
    if _week(shop, plan.made_utc) not in {_week(shop, one.made_utc) for one in before}:
        _keep(shop, promise.of(plan))
    found = _learned(shop, before, plan)
    shop.store.note(LESSON + plan.place, json.dumps(kept_form.plain(found)).encode())


def _learned(shop: Shop, before: tuple[Promise, ...], plan: AirPlan) -> Lesson | None:
    """Learn from the plans kept before; no reading of the air is needed for that."""
    dates = (each.ready_utc for one in before for each in one.timbers)
    if not any(date is not None and date <= plan.made_utc for date in dates):
        return None
    return lesson.learned(_looked(shop, plan.place, before, None, plan.made_utc))


def _week(shop: Shop, when: datetime) -> tuple[int, int]:
    year, week, _ = when.astimezone(shop.config.zone).isocalendar()
    return year, week


def follow(shop: Shop, plan: AirPlan, said: Followed, *, what: str | None = None) -> Promise:
    """Keep a plan as one that is followed.

    Parameters
    ----------
    shop : Shop
        The open shop.
    plan : AirPlan
        As it was worked out, with no lesson laid upon it.
    said : Followed
        Who says so, and when.
    what : str, optional
        The way that is followed; as offered if left out.

    Returns
    -------
    Promise
        As it was kept.

    Raises
    ------
    OutOfRange
        If the plan knows no such way.
    """
    made = promise.of(plan, what=what, followed=said)
    _keep(shop, made)
    return made


def unfollow(shop: Shop, made: Promise, before: Promise | None) -> None:
    """Take back that a plan is followed; what was kept of it before stands again."""
    shop.store.forget(_key(made.place, made.made_utc))
    if before is not None:
        _keep(shop, before)


def of(shop: Shop, place: str, made_utc: datetime) -> Promise | None:
    """Give what is kept of the plan that was made then, if anything is."""
    return next((one for one in kept(shop, place) if one.made_utc == made_utc), None)


def _keep(shop: Shop, made: Promise) -> None:
    shop.store.note(_key(made.place, made.made_utc), json.dumps(kept_form.plain(made)).encode())
    _thin(shop, made.place)


def _thin(shop: Shop, place: str) -> None:
    """Leave the newest weeks, of older ones every fourth, and whatever is followed, at most `MOST` in all."""
    all_kept = kept(shop, place)
    old = [one for one in all_kept[:-WHOLE_WEEKS] if not one.followed and _week(shop, one.made_utc)[1] % 4]
    gone = {one.made_utc for one in old}
    left = [one for one in all_kept if one.made_utc not in gone]
    free = [one for one in left if not one.followed] + [one for one in left if one.followed]
    gone |= {one.made_utc for one in free[: max(0, len(left) - MOST)]}
    if gone:
        shop.store.forget(*(_key(place, each) for each in gone))


def back(shop: Shop, place: str, now_utc: datetime) -> Back:
    """Look back on every plan of a room that is kept.

    Parameters
    ----------
    shop : Shop
        The open shop; nothing is written.
    place : str
        The room.
    now_utc : datetime
        Now, with a time zone.

    Returns
    -------
    Back
        The newest plan first.
    """
    promises = kept(shop, place)
    if not promises:
        return Back(place=place, plans=(), lesson=None, checks=None)
    found = _looked(shop, place, promises, _air(shop, place, promises[0].made_utc), now_utc)
    return Back(
        place=place, plans=tuple(reversed(found)), lesson=lesson.learned(found), checks=lesson.checks(found)
    )


def _looked(
    shop: Shop, place: str, promises: tuple[Promise, ...], air: AirSeries | None, now_utc: datetime
) -> list[LookedBack]:
    known, used = _Known(shop, place), kept_used.told(shop, place)
    return [
        looked_back.look_back(
            one,
            Came(
                now_utc=now_utc,
                air=air,
                timbers={tag: known.since(tag, one.made_utc) for tag in _tags(one)},
                used=tuple(each for each in used if each.until_utc <= _followed_until(one, promises)),
            ),
        )
        for one in promises
    ]


def _followed_until(one: Promise, promises: tuple[Promise, ...]) -> datetime:
    """Until when a plan was followed: then another took its place."""
    after = (each.made_utc for each in promises if each.followed and each.made_utc > one.made_utc)
    return min(after, default=datetime.max.replace(tzinfo=UTC))


def taught(shop: Shop, plan: AirPlan) -> AirPlan:
    """Return a plan as it is told: with what was learned from earlier ones when it was worked out."""
    try:
        found = kept_form.read(Lesson | None, json.loads(shop.store.noted(LESSON + plan.place) or b"null"))
    except (ValueError, TypeError, KeyError, AttributeError):  # another version's: the night writes it anew
        found = None
    return lesson.taught(plan, found)


def _air(shop: Shop, place: str, since: datetime) -> AirSeries | None:
    try:
        return shop.store.air(place, since)
    except OutOfRange:  # not a single reading since
        return None


def _tags(one: Promise) -> dict[str, None]:
    return dict.fromkeys((*one.green, *(each.tag for each in one.timbers)))


class _Known:
    """What the shop knows of its timbers now, each read once for all plans."""

    def __init__(self, shop: Shop, place: str) -> None:
        self._shop = shop
        self._here = {each.tag: each for each in shop.register.list() if each.place == place}
        self._found: dict[str, tuple[TimberCame, tuple[datetime, ...], tuple[Event, ...]]] = {}

    def since(self, tag: str, made_utc: datetime) -> TimberCame:
        """Give what came of a timber since a plan was made."""
        if tag not in self._here:
            return TimberCame(tag=tag, left=True, checks_utc=self._checks_of(tag))
        if tag not in self._found:
            self._found[tag] = self._now(tag)
        now, squared, events = self._found[tag]
        days = [at for at in squared if at >= made_utc]
        away = any(each.kind == EventKind.MOVED and each.at_utc > made_utc for each in events)
        return replace(now, left=away, ready_utc=min(days, default=None))

    def _checks_of(self, tag: str) -> tuple[datetime, ...]:
        try:
            return _checks(tuple(self._shop.register.events(tag)))
        except NotFound:  # entered by mistake and taken away
            return ()

    def _now(self, tag: str) -> tuple[TimberCame, tuple[datetime, ...], tuple[Event, ...]]:
        store, timber = self._shop.store, self._here[tag]
        events = tuple(self._shop.register.events(tag))
        stored = store.evaluation(tag)
        today = summary_of(stored and stored[1])
        past = [summary_of(each.payload) for each in store.past_evaluations(tag)]
        told = [each for each in (*past, today) if each is not None]
        squared = [each.made_utc for each in told if each.verdict.step == "square"]
        whole = (each.at_utc for i, each in enumerate(events) if is_finished(timber, events[: i + 1]))
        squared += [at for at in (next(whole, None),) if at is not None]
        if today is None:
            return TimberCame(tag=tag, checks_utc=_checks(events)), tuple(squared), events
        mean = today.mean_now_pct
        found = TimberCame(
            tag=tag,
            mc_pct=mean.median,
            mc_sd_pct=(mean.high - mean.low) / looked_back.SPAN_SD,
            mc_utc=today.made_utc,
            expected_utc=today.verdict.dates.get("square"),
            expected_spread_days=today.verdict.spread_days.get("square", 0.0),
            checks_utc=_checks(events),
        )
        return found, tuple(squared), events


def _checks(events: tuple[Event, ...]) -> tuple[datetime, ...]:
    """Days on which a check or split was first entered; measured again it is no new one, a shake never."""
    first: dict[tuple[object, ...], datetime] = {}
    for each in events:
        detail = each.detail
        if each.kind == EventKind.CHECKED and detail.get("opening") != "shake":
            what = (detail.get("face"), detail.get("opening"), detail.get("name"))
            first.setdefault(what, each.at_utc)
    return tuple(first.values())
