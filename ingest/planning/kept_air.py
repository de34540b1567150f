"""What a shop keeps of a room's air: what was asked once, the plan that was made last, and why there is none.

The plan is made by the night's work, or at once when a person asks for it; a page only reads it, so that
page, command and sentence are one computation.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Final

from baulk.ingest.planning import humidity, kept_form, kept_promises
from baulk.ingest.planning.humidity import Asked
from baulk.ingest.shop import Shop
from baulk.ingest.store import air_answers
from baulk.ingest.store.air_answers import AirAnswer
from baulk.models.errors import BaulkError, OutOfRange
from baulk.models.plan.humidity.air_plan import AirPlan

WISH: Final = "air-wish/"
PLAN: Final = "air-plan/"


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """What was said of a room once, beside its size and air changes, which stand in the register.

    Parameters
    ----------
    held_c : float or None
        Temperature held; None for the season's. [degC]
    finished_pct : (float, float) or None
        Moisture that finished or glued work tolerates. [%]
    people_h_day : float
        Hours of work in it a day. [h]
    price_kwh : float or None
        In any money.
    leaving : bool
        Squared pieces leave the room.
    """

    held_c: float | None = None
    finished_pct: tuple[float, float] | None = None
    people_h_day: float = 0.0
    price_kwh: float | None = None
    leaving: bool = False

    def asked(self, place: str) -> Asked:
        """Return what it asks for a place; what can't be is refused there."""
        return Asked(
            place=place,
            held_c=self.held_c,
            finished_pct=self.finished_pct,
            people_h_day=self.people_h_day,
            price_kwh=self.price_kwh,
            leaving=self.leaving,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """What was worked out for a room last.

    Parameters
    ----------
    made_utc : datetime
        When.
    plan : AirPlan or None
        The plan; None where there could be none.
    failed : str
        Why there is none, a sentence; empty where there is one.
    """

    made_utc: datetime
    plan: AirPlan | None = None
    failed: str = ""


def wish(shop: Shop, place: str) -> Wish:
    """Give what was said of a room, or nothing said.

    Parameters
    ----------
    shop : Shop
        The open shop.
    place : str
        The room.

    Returns
    -------
    Wish
        As kept; what can't be read counts as not said.
    """
    try:
        stored = json.loads(shop.store.noted(WISH + place) or b"{}")
        band = stored.pop("finished_pct", None)
        return Wish(**stored, finished_pct=None if band is None else (float(band[0]), float(band[1])))
    except (ValueError, TypeError, AttributeError, IndexError):
        return Wish()


def keep_wish(shop: Shop, place: str, said: Wish) -> None:
    """Keep what was said of a room.

    Parameters
    ----------
    shop : Shop
        The open shop.
    place : str
        The room.
    said : Wish
        What was said.

    Raises
    ------
    OutOfRange
        If something of it can't be.
    """
    said.asked(place)
    if said.price_kwh is not None and not 0 <= said.price_kwh <= 1000:
        raise OutOfRange("the price", f"of a kilowatt-hour lies between 0 and 1000, not {said.price_kwh:g}")
    shop.store.note(WISH + place, json.dumps(asdict(said)).encode())


def made(shop: Shop, place: str) -> Kept | None:
    """Give what was worked out for a room last.

    Parameters
    ----------
    shop : Shop
        The open shop.
    place : str
        The room.

    Returns
    -------
    Kept or None
        None where nothing was, or another version wrote it.
    """
    stored = shop.store.noted(PLAN + place)
    if stored is None:
        return None
    try:
        found = kept_form.read(Kept, json.loads(stored))
    except (ValueError, TypeError, KeyError, AttributeError):
        return None
    return found if isinstance(found, Kept) else None


def make(shop: Shop, place: str, now_utc: datetime) -> Kept:
    """Work a room's plan out with what was said of it, and keep it, or why there is none.

    Parameters
    ----------
    shop : Shop
        The open shop.
    place : str
        The room.
    now_utc : datetime
        Now, with a time zone.

    Returns
    -------
    Kept
        As it was kept.
    """
    found = worked_out(lambda: humidity.gather(shop, wish(shop, place).asked(place), now_utc), now_utc)
    keep(shop, place, found)
    return found


def worked_out(gather: Callable[[], humidity.Gathered], now_utc: datetime) -> Kept:
    """Work a plan out, or say why there is none.

    Parameters
    ----------
    gather : callable
        Gathers what it needs.
    now_utc : datetime
        Now, with a time zone.
    """
    try:
        return Kept(made_utc=now_utc, plan=gather().plan())
    except BaulkError as err:
        return Kept(made_utc=now_utc, failed=str(err))


def keep(shop: Shop, place: str, found: Kept) -> None:
    """Keep what was worked out for a room; the first plan of a week also to be looked back on.

    Parameters
    ----------
    shop : Shop
        The open shop.
    place : str
        The room.
    found : Kept
        In place of what was kept before.
    """
    shop.store.note(PLAN + place, json.dumps(kept_form.plain(found)).encode())
    air_answers.keep(shop.store, place, None if found.plan is None else answer(found.plan))
    if found.plan is not None:
        kept_promises.keep_first(shop, found.plan)


def answer(made: AirPlan) -> AirAnswer:
    """Return what a plan answers for its first week, as it is published."""
    week = made.weeks[0]
    is_open = week.low_pct <= week.high_pct
    return AirAnswer(
        place=made.place,
        made_utc=made.made_utc,
        set_pct=round(week.set_pct, 1) if made.is_held else None,
        low_pct=round(week.low_pct, 1) if is_open else None,
        high_pct=round(week.high_pct, 1) if is_open else None,
        low_by=week.low_by,
        high_by=week.high_by,
        held_c=made.held_c,
    )
