"""From a timber's readings to its stored verdict: gather what is known, work it out, keep the answer.

A timber that can't be evaluated keeps the sentence that says why, so that one never stops the rest; it is
tried again when something new arrives.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from datetime import datetime

from baulk.ingest import climate
from baulk.ingest.climate import Season
from baulk.ingest.evaluation import Evaluation, answer, in_words
from baulk.ingest.inputs import DAY_S, Inputs, Stay, Wish, up_to
from baulk.ingest.shop import Shop
from baulk.models import species, use_class
from baulk.models.air import AirSeries
from baulk.models.reading import Owner, Reading

Airs = dict[str, tuple[AirSeries | None, Season]]


def gather(tag: str, shop: Shop, now_utc: datetime, *, airs: Airs | None = None) -> Inputs:
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

    Returns
    -------
    Inputs
        For `baulk.ingest.evaluation.work_out`.

    Raises
    ------
    BaulkError
        If the tag, its species or its use is not known, or nothing is known of the air.
    """
    timber = shop.register.get(tag)
    airs = {} if airs is None else airs
    if timber.place not in airs:
        airs[timber.place] = _air(shop, timber.place, now_utc)
    own, year = airs[timber.place]
    settings = shop.config
    return Inputs(
        timber=timber,
        wood=species.get(timber.species),
        use=use_class.get(timber.use_class),
        readings=tuple(
            each for each in shop.store.readings(Owner.TIMBER, timber.tag) if _known(each, now_utc)
        ),
        stays=(
            Stay(
                place=timber.place,
                since_s=min(timber.arrived_utc, now_utc).timestamp(),
                own=own,
                year=year,
            ),
        ),
        wish=Wish(
            units=settings.shop.units,
            probability=settings.verdict.probability,
            build_days=settings.verdict.build_days,
        ),
        previous=_previous(shop, timber.tag, now_utc),
        now_utc=now_utc,
    )


def evaluate(tag: str, shop: Shop, now_utc: datetime) -> Evaluation:
    """Work one timber out and keep the answer; a timber that can't be worked out keeps the reason.

    Parameters
    ----------
    tag : str
        Which timber; an unknown one is refused.
    shop : Shop
        The open shop.
    now_utc : datetime
        Now, with a time zone.

    Returns
    -------
    Evaluation
        As stored.
    """
    revision = shop.store.revision()
    tag = shop.register.get(tag).tag
    inputs = in_words(tag, now_utc, lambda: gather(tag, shop, now_utc))
    if isinstance(inputs, Evaluation):
        return keep(inputs, shop, revision=revision)
    return keep(answer(inputs), shop, revision=revision, fingerprint=inputs.fingerprint())


def keep(
    made: Evaluation, shop: Shop, *, revision: int | None = None, fingerprint: str | None = None
) -> Evaluation:
    """Keep an evaluation, and what it was made from unless it failed by chance.

    Parameters
    ----------
    made : Evaluation
        To be kept.
    shop : Shop
        The open shop.
    revision : int, optional
        Of the store before its inputs were gathered.
    fingerprint : str, optional
        Of its inputs.

    Returns
    -------
    Evaluation
        The same.
    """
    shop.store.save_evaluation(
        made.tag,
        made.made_utc,
        made.to_json(),
        revision=revision,
        fingerprint=None if made.by_chance else fingerprint,
        past=made.failed is None,
    )
    return made


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
        made = evaluate(tag, shop, now_utc)
        worked.append(made.tag)
        if done is not None:
            done(made)
    return tuple(worked)


def _known(reading: Reading, now_utc: datetime) -> bool:
    """Whether a reading was taken, or had come with a wrong clock, by then."""
    return reading.taken_utc <= now_utc or reading.arrived_utc <= now_utc


def _air(shop: Shop, place: str, now_utc: datetime) -> tuple[AirSeries | None, Season]:
    """Give a place's record, and its year from whole days of that, so that it changes once a day."""
    own = _record(shop, place, now_utc)
    whole_days = up_to(own, now_utc.timestamp() // DAY_S * DAY_S)
    return own, climate.season(whole_days or own, shop.config)


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
    """Step of the last stored verdict that is not younger than now."""
    stored = shop.store.evaluation(tag)
    if stored is None or stored[0] > now_utc:
        return None
    try:
        step = json.loads(stored[1]).get("verdict", {}).get("step")
    except (ValueError, AttributeError):
        return None
    return step if isinstance(step, str) else None
