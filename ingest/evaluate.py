"""From a timber's readings to its stored verdict: gather what is known, work it out, keep the answer.

A timber that can't be evaluated keeps the sentence that says why, so that one never stops the rest; it is
tried again when something new arrives.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Callable, Iterable
from datetime import datetime
from typing import Final

from baulk.ingest import climate
from baulk.ingest.evaluation import Evaluation, not_worked_out, work_out
from baulk.ingest.inputs import Inputs, Stay, Wish
from baulk.ingest.shop import Shop
from baulk.models import species, use_class
from baulk.models.air import AirSeries
from baulk.models.errors import BaulkError
from baulk.models.reading import Owner, Reading

LOG: Final = logging.getLogger(__name__)


def gather(tag: str, shop: Shop, now_utc: datetime) -> Inputs:
    """Gather what was known of a timber at a moment.

    Parameters
    ----------
    tag : str
        Which timber; an unknown one is refused.
    shop : Shop
        The open shop, only read.
    now_utc : datetime
        Now, or an earlier day, with a time zone; what was measured later is left away.

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
    own = _record(shop, timber.place, now_utc)
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
                year=climate.season(own, settings),
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
    made = in_words(tag, now_utc, lambda: work_out(gather(tag, shop, now_utc)))
    shop.store.save_evaluation(tag, now_utc, made.to_json(), revision=revision)
    return made


def in_words(tag: str, now_utc: datetime, work: Callable[[], Evaluation]) -> Evaluation:
    """Do the work; whatever stops it becomes an evaluation that says why.

    Parameters
    ----------
    tag : str
        Which timber.
    now_utc : datetime
        Now.
    work : callable
        Gives the evaluation.

    Returns
    -------
    Evaluation
        That of ``work``, or one with the reason.
    """
    try:
        return work()
    except BaulkError as err:
        return not_worked_out(tag, now_utc, str(err))
    except Exception as err:  # one timber must not stop the others
        LOG.exception("evaluation of %s failed", tag)
        return not_worked_out(
            tag,
            now_utc,
            f"its evaluation stopped with an unexpected fault ({type(err).__name__}: {err}); "
            "the log has the details",
        )


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


def _record(shop: Shop, place: str, now_utc: datetime) -> AirSeries | None:
    """Give the place's own air up to now, or nothing when it has not a single pair of readings."""
    if place not in shop.store.places():
        return None
    try:
        air = shop.store.air(place)
    except ValueError:  # temperatures without humidities: as good as none
        return None
    known = air.posix_s <= now_utc.timestamp()
    if known.all():
        return air
    if not known.any():
        return None
    return AirSeries(posix_s=air.posix_s[known], temp_c=air.temp_c[known], rh_pct=air.rh_pct[known])


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
