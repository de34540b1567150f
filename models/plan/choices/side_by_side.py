"""Everything that could be done with one timber, side by side: the best first, what is equal called equal."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from typing import Final

import numpy as np

from baulk.models.checking import DECIDED_ABOVE_PCT
from baulk.models.constants import Floats
from baulk.models.plan.choices import compare, ways
from baulk.models.plan.choices.choice import Choice, Choices, Prices, Weeks, What
from baulk.models.plan.choices.compare import Outcome
from baulk.models.plan.choices.ways import Given, Way
from baulk.models.reason import Reason, Value

WEEK_DAYS: Final = 7.0


def choices(given: Given, told: Callable[[What], None] = lambda _what: None) -> Choices:
    """Work out what could be done with a timber, and compare it.

    Parameters
    ----------
    given : Given
        The timber, its ensemble and its air.
    told : callable, optional
        Called with what is worked out next, for whoever waits.

    Returns
    -------
    Choices
        For its own use, and apart from them for others.

    References
    ----------
    The parts as in `ways.ways`; the order as in `compare.beside`.
    """
    found = tuple(ways.ways(given, told))
    own = tuple(each for each in found if each.what != "use")
    ranked = _ranked(own, given.prices)
    return Choices(
        tag=given.timber.tag,
        made_utc=datetime.fromtimestamp(given.now_s, UTC),
        headline=_headline(ranked, given),
        own=ranked,
        other_uses=_ranked(tuple(each for each in found if each.what == "use"), given.prices, own[0]),
        unanswered=_unanswered(found, given),
        notes=_notes(given),
    )


def outcome(way: Way) -> Outcome:
    """Return what comes of a way, on the day on which the verdict says square.

    Parameters
    ----------
    way : Way
        What is done.

    Returns
    -------
    Outcome
        Of its members; on the surest day of the horizon where there is no such day.
    """
    return Outcome(
        holds=way.path.ready()[_day(way)] & way.fits,
        over=way.over,
        weeks=np.zeros(way.fits.size) if way.today else way.path.days() / WEEK_DAYS,
        work_h=way.work_h,
    )


def _day(way: Way) -> int:
    """Which of the candidate dates is spoken of."""
    if way.today:
        return 0
    when = way.path.square(way.fits)
    if when is None:
        return int(np.argmax(way.path.probability(fits=way.fits)))
    return int(np.searchsorted(way.path.posix_s, when.timestamp() - 1.0))


def _ranked(found: tuple[Way, ...], prices: Prices, against: Way | None = None) -> tuple[Choice, ...]:
    """Put ways in order, each held against the best that beats it, else the first, or another way."""
    outcomes = [outcome(each) for each in found]
    rank, order = compare.ranks(outcomes), compare.order(outcomes)
    if not order:
        return ()
    said = {}
    for i in order:
        over = [j for j in order if rank[j] < rank[i] and compare.beats(outcomes[j], outcomes[i])]
        other = found[over[0] if over else order[0]] if against is None else against
        beside = compare.beside(outcomes[i], outcome(other))
        than: dict[str, Value] = {"what": other.what, **other.values}
        said[i] = replace(beside, values={**beside.values, "than": than})
    if against is None and rank.count(1) == 1:
        said[order[0]] = Reason(code="choice.first")
    return tuple(_choice(found[i], outcomes[i], rank[i], said[i], prices) for i in order)


def _choice(way: Way, found: Outcome, rank: int, beside: Reason, prices: Prices) -> Choice:
    today = datetime.fromtimestamp(float(way.path.posix_s[0]), UTC)
    return Choice(
        what=way.what,
        values=dict(way.values),
        ready_utc=today if way.today else way.path.square(way.fits),
        spread_days=0.0 if way.today else way.path.spread_days(),
        weeks=_span(found.weeks),
        comes_out=float(way.fits.mean()),
        stays=float(way.path.ready()[_day(way)].mean()),
        holds=float(found.holds.mean()),
        check_chance=None if found.over is None else float(found.over.mean()),
        work_h=way.work_h,
        money=_money(way, prices),
        lost_mm=way.lost_mm,
        rank=rank,
        beside=beside,
    )


def _money(way: Way, prices: Prices) -> float | None:
    """Return what a way costs; None where a price of it is not known."""
    parts = ((way.work_h, prices.hour), (way.coat_m2, prices.coat_m2))
    if any(amount and price is None for amount, price in parts):
        return None
    return sum(amount * price for amount, price in parts if price is not None)


def _span(weeks: Floats) -> Weeks:
    low, middle, high = (float(each) for each in np.quantile(weeks, (0.05, 0.5, 0.95)))
    return Weeks(median=middle, low=low, high=high)


def _headline(ranked: tuple[Choice, ...], given: Given) -> Reason:
    """Say what is best, and what is as good."""
    tag = given.timber.tag
    if given.calibration.contradiction is not None:
        return Reason(code="choice.contradiction", values={"tag": tag})
    best = [each for each in ranked if each.rank == 1]
    equal: tuple[Value, ...] = tuple({"what": each.what, **each.values} for each in best[1:])
    return Reason(
        code="choice.best",
        values={
            "tag": tag,
            "first": {"what": best[0].what, **best[0].values},
            "ready_utc": best[0].ready_utc,
            "chance": best[0].holds,
            "horizon_days": given.horizon_days,
            "equal": equal,
        },
    )


def _unanswered(found: tuple[Way, ...], given: Given) -> tuple[Reason, ...]:
    """Say what could not be worked out, and why."""
    there = {each.what for each in found}
    said = []
    if "rough_out" not in there:
        said.append(Reason(code="choice.no_rough_out"))
    if "kerf" not in there:
        section = given.timber.section
        code = "choice.kerfed" if section.kerf is not None else "choice.no_kerf"
        said.append(Reason(code=code))
    if "coat" not in there:
        said.append(Reason(code="choice.coated"))
    if "move" not in there:
        said.append(Reason(code="choice.cannot_move"))
    if "use" not in there:
        said.append(Reason(code="choice.no_use_sooner"))
    return tuple(said)


def _notes(given: Given) -> tuple[Reason, ...]:
    """Say what is to be known of all of them."""
    said = [Reason(code="choice.hours"), Reason(code="choice.kerf_and_checks")]
    if not given.calibration.enough:
        said.insert(0, Reason(code="choice.few_readings", values={"species": given.species.name}))
    mean = float(np.median(given.calibration.field_now.mean_pct))
    if mean <= DECIDED_ABOVE_PCT:
        values: dict[str, Value] = {"mean_pct": mean, "below_pct": DECIDED_ABOVE_PCT}
        said.append(Reason(code="choice.checks_decided", values=values))
    if given.prices.hour is None:
        said.append(Reason(code="choice.no_price"))
    return tuple(said)
