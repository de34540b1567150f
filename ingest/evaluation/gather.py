"""From a timber's readings to its stored verdict: gather what is known, work it out, keep the answer.

A timber that can't be evaluated keeps the sentence that says why, so that one never stops the rest; it is
tried again when something new arrives.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import datetime
from typing import Final, TypeVar

from baulk.ingest import meters
from baulk.ingest.evaluation import (
    check_record,
    climate,
    curves,
    document_read,
    fit_store,
    yard_memory,
    yard_prior,
)
from baulk.ingest.evaluation.climate import Season
from baulk.ingest.evaluation.compute import Answered, Evaluation, answer, in_words
from baulk.ingest.evaluation.inputs import Inputs, Stay, Wish, up_to
from baulk.ingest.shop import Shop
from baulk.ingest.store import notes
from baulk.models.air import AirSeries
from baulk.models.constants import DAY_S
from baulk.models.errors import BaulkError
from baulk.models.openings import kerfed
from baulk.models.timber import Event, EventKind, Timber

UPDATED: Final = "+updated"  # behind a fingerprint: the answer is not yet that of a whole fit
Made = TypeVar("Made", bound=Answered)
Airs = dict[str, tuple[AirSeries | None, Season]]


def gather(
    tag: str, shop: Shop, now_utc: datetime, *, airs: Airs | None = None, resume: bool = False
) -> Inputs:
    """Gather what was known of a timber at a moment.

    Parameters
    ----------
    tag : str
        Which timber; an unknown one is refused.
    shop : Shop
        The open shop, only read.
    now_utc : datetime
        Now, or an earlier day, with a time zone; what was measured later is left away.
    airs : Airs, optional
        Places looked up already for the same moment, and room for more.
    resume : bool
        Whether to go on from the fit that is kept; without it the whole fit is made.

    Returns
    -------
    Inputs
        For `baulk.ingest.evaluation.compute.work_out`.

    Raises
    ------
    BaulkError
        If the tag, its species or its use is not known, or nothing is known of the air.
    """
    (timber, before), settings = shop.register.until(tag, now_utc), shop.config
    events = tuple(before)
    timber = kerfed(timber, events)
    airs = {} if airs is None else airs
    wood, hand = shop.woods.species.get(timber.species), notes.hand_meter(shop.store)
    read_by = meters.settings(
        settings.meter,
        hand_corrects=None if hand is None else hand.corrects_temperature,
        known=shop.woods.species,
        hand_set_to=None if hand is None else hand.scale or None,
    )
    fit = shop.store.noted(notes.fit_key(timber.tag)) if resume else None
    known = shop.store.known(timber.tag, now_utc, fit_store.loose_of(fit))
    stays = _stays(shop, timber, events, now_utc, airs)
    origin = yard_prior.origin_of(timber, known, stays, read_by)
    return Inputs(
        timber=timber,
        wood=wood,
        use=shop.woods.use_classes.get(timber.use_class),
        woods=shop.woods,
        known=known,
        events=events,
        stays=stays,
        elsewhere=_elsewhere(shop, timber.place, now_utc, airs),
        wish=Wish(
            units=settings.shop.units,
            zone=settings.shop.zone,
            probability=settings.verdict.probability,
            build_days=settings.verdict.build_days,
            meters=read_by,
        ),
        previous=_previous(shop, timber.tag, now_utc),
        swap=notes.swap_reason(shop.store, timber.tag, now_utc),
        yard=yard_memory.prior(shop, timber, wood, origin, now_utc),
        now_utc=now_utc,
        under=check_record.under_told(shop, timber.tag, events, now_utc),
        curves=curves.measured(shop, species=wood.name, until_utc=now_utc),
        fit=fit,
    )


def evaluate(tag: str, shop: Shop, now_utc: datetime, *, resume: bool = False) -> Evaluation:
    """Work one timber out and keep the answer; a timber that can't be worked out keeps the reason.

    Parameters
    ----------
    tag : str
        Which timber; an unknown one is refused.
    shop : Shop
        The open shop.
    now_utc : datetime
        Now, with a time zone.
    resume : bool
        Whether to take what is new into the fit that is kept.

    Returns
    -------
    Evaluation
        As stored.
    """
    revision = shop.store.revision()
    tag = shop.register.get(tag).tag
    inputs = in_words(tag, now_utc, lambda: gather(tag, shop, now_utc, resume=resume))
    if isinstance(inputs, Evaluation):
        return keep(inputs, shop, revision=revision, with_air=had_air(shop, tag, now_utc, revision))
    return keep(answer(inputs), shop, revision=revision, fingerprint=inputs.fingerprint())


def keep(
    made: Made,
    shop: Shop,
    *,
    revision: int | None = None,
    fingerprint: str | None = None,
    with_air: bool = True,
) -> Made:
    """Keep an evaluation, and what it was made from unless it failed, so that it is tried again.

    Parameters
    ----------
    made : Evaluation or Sent
        To be kept.
    shop : Shop
        The open shop.
    revision : int, optional
        Of the store before its inputs were gathered.
    fingerprint : str, optional
        Of its inputs.
    with_air : bool
        Whether there was any air; without it the timber is tried again at the next reading of its place.

    Returns
    -------
    Evaluation or Sent
        The same.
    """
    if fingerprint is not None and made.updated:
        fingerprint += UPDATED
    shop.store.save_evaluation(
        made.tag,
        made.made_utc,
        made.to_json(),
        revision=revision,
        fingerprint=fingerprint if made.failed is None else None,
        past=made.failed is None,
        with_air=with_air,
    )
    if made.fit is not None:
        shop.store.note(notes.fit_key(made.tag), made.fit)
    if made.found is not None:
        shop.store.note(yard_memory.found_key(made.tag), made.found)
    return made


def had_air(shop: Shop, tag: str, now_utc: datetime, revision: int) -> bool:
    """Return whether a timber that could not be gathered had air; False where that may have come since."""
    try:
        air_of(shop, shop.register.get(tag).place, now_utc)
    except BaulkError:
        return False
    return shop.store.revision() == revision


def run_stale(
    shop: Shop,
    now_utc: datetime,
    *,
    tags: Iterable[str] | None = None,
    done: Callable[[Evaluation], None] | None = None,
) -> tuple[str, ...]:
    """Evaluate every timber whose stored answer no longer covers what is known.

    Parameters
    ----------
    shop : Shop
        The open shop.
    now_utc : datetime
        Now, with a time zone.
    tags : iterable of str, optional
        These timbers instead of the stale ones.
    done : callable, optional
        Called after each.

    Returns
    -------
    tuple of str
        Tags in the order in which they were done, those that failed included.
    """
    worked = []
    for tag in tuple(shop.store.stale() if tags is None else tags):
        made = evaluate(tag, shop, now_utc, resume=True)
        worked.append(made.tag)
        if done is not None:
            done(made)
    return tuple(worked)


def _stays(
    shop: Shop, timber: Timber, events: Iterable[Event], now_utc: datetime, airs: Airs
) -> tuple[Stay, ...]:
    """Tell where a timber lay; a former place of which nothing is known takes the year of the present one."""
    since_s = min(timber.arrived_utc, now_utc).timestamp()
    moves = [each for each in events if each.kind is EventKind.MOVED]
    places = [str(moves[0].detail["from"]) if moves else timber.place]
    begins = [since_s]
    for move in moves:
        at_s = max(move.at_utc.timestamp(), since_s)
        if at_s == begins[-1]:
            places.pop(), begins.pop()
        places.append(str(move.detail["to"]))
        begins.append(at_s)
    for place in (timber.place, *places):
        if place not in airs:
            try:
                airs[place] = air_of(shop, place, now_utc)
            except BaulkError:
                if place == timber.place:
                    raise
                airs[place] = (None, airs[timber.place][1])
    return tuple(
        Stay(place=place, since_s=at_s, own=airs[place][0], year=airs[place][1])
        for place, at_s in zip(places, begins, strict=True)
    )


def _elsewhere(shop: Shop, here: str, now_utc: datetime, airs: Airs) -> tuple[tuple[str, Season], ...]:
    """Give the usual year of every other place of which at least a month of air is on record, by name."""
    found = []
    for place in sorted(set(shop.store.places()) - {here}):
        if place not in airs:
            try:
                airs[place] = air_of(shop, place, now_utc)
            except BaulkError:  # no pair of readings by then, and nothing in the settings
                continue
        own, year = airs[place]
        if own is not None and year.own_months:
            found.append((place, year))
    return tuple(found)


def air_of(shop: Shop, place: str, now_utc: datetime) -> tuple[AirSeries | None, Season]:
    """Return a place's record, and its year from whole days of that, so that it changes once a day."""
    own = _record(shop, place, now_utc)
    whole_days = up_to(own, now_utc.timestamp() // DAY_S * DAY_S)
    unpaired = own is None and place in shop.store.places()
    return own, climate.season(whole_days or own, shop.config, place, unpaired=unpaired)


def _record(shop: Shop, place: str, now_utc: datetime) -> AirSeries | None:
    """Give the place's own air up to now, or nothing when it has not a single pair of readings."""
    if place not in shop.store.places():
        return None
    try:
        air = shop.store.air(place)
    except ValueError:  # temperatures without humidities: as good as none
        return None
    return up_to(air, now_utc.timestamp())


def _previous(shop: Shop, tag: str, now_utc: datetime) -> str | None:
    """Step of the last verdict that is not younger than now."""
    stored = shop.store.evaluation(tag)
    payload = stored[1] if stored is not None and stored[0] <= now_utc else None
    if stored is not None and payload is None:
        earlier = [each for each in shop.store.past_evaluations(tag) if each.made_utc <= now_utc]
        payload = earlier[-1].payload if earlier else None
    before = document_read.summary_of(payload)
    return None if before is None else before.verdict.step
