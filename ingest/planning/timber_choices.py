"""What could be done with one timber of the shop: worked out, and kept while nothing new is known."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from baulk.ingest.evaluation import compute, fit_store, gather
from baulk.ingest.evaluation.climate import Season
from baulk.ingest.evaluation.inputs import Inputs
from baulk.ingest.planning import kept_form, outdoor_air
from baulk.ingest.shop import Shop
from baulk.models import digest
from baulk.models.constants import DAY_S
from baulk.models.diffusion import law_for
from baulk.models.errors import OutOfRange
from baulk.models.plan.choices import side_by_side
from baulk.models.plan.choices.choice import Choices, Prices, What
from baulk.models.plan.choices.ways import Ahead, Given
from baulk.models.surface import course
from baulk.models.verdict import comes_out

KEPT: Final = "choices/"
STALE_S: Final = 7 * DAY_S  # after which dates are counted anew, as of an evaluation


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Gathered:
    """What is known of a timber, and what was kept of its choices.

    Parameters
    ----------
    inputs : Inputs
        Everything that an evaluation needs.
    prices : Prices
        What the shop pays.
    indoors : tuple of str
        Places under a roof.
    key : str
        Of all that the answer is made from.
    kept : Choices or None
        The answer, where it was worked out from the same.
    """

    inputs: Inputs
    prices: Prices
    indoors: tuple[str, ...]
    key: str
    kept: Choices | None

    def work_out(self, told: Callable[[What], None] = lambda _what: None) -> Choices:
        """Work out what could be done; the shop is not needed meanwhile.

        Parameters
        ----------
        told : callable, optional
            Called with what is worked out next.
        """
        return side_by_side.choices(self._given(), told)

    def _given(self) -> Given:
        inputs, wish = self.inputs, self.inputs.wish
        law = law_for(inputs.wood)
        fitted = compute.fitted_to(inputs, fit_store.taken_up(inputs))  # the verdict's own fit, gone on with
        surface = course.since_arrival(
            inputs.timber, inputs.wood, fitted, inputs.air_past(), law=law, events=inputs.events,
            gaps=inputs.air_gaps(),
        )  # fmt: skip
        return Given(
            timber=inputs.timber,
            species=inputs.wood,
            use=inputs.use,
            uses=inputs.woods.use_classes,
            law=law,
            calibration=fitted,
            surface=surface,
            here=self._ahead(inputs.here.year),
            elsewhere={name: self._ahead(year) for name, year in inputs.elsewhere if name in self.indoors},
            size=comes_out.recorded(inputs.timber, inputs.events),
            seen=inputs.curves,
            prices=self.prices,
            probability=wish.probability,
            previous=inputs.previous,
            build_days=wish.build_days,
            horizon_days=wish.horizon_days,
            step_mm=6.35 if wish.units == "inch" else 5.0,
            spread=inputs.spread,
        )

    def _ahead(self, year: Season) -> Ahead:
        inputs, now_s = self.inputs, self.inputs.now_s
        last_s = now_s + inputs.wish.horizon_days * DAY_S
        built_s = last_s + inputs.wish.build_days * DAY_S
        return Ahead(
            years=year.years(now_s, last_s),
            usual=year.between(now_s, built_s),
            building=year.years(now_s, built_s, compute.BUILD_YEARS),
        )


def gather_for(shop: Shop, tag: str, now_utc: datetime) -> Gathered:
    """Gather what the choices for a timber are made from, so that the shop is free while it is worked out.

    Parameters
    ----------
    shop : Shop
        The open shop, only read.
    tag : str
        Which timber.
    now_utc : datetime
        Now, with a time zone.

    Returns
    -------
    Gathered
        With the answer, where it was kept and nothing else is known since.

    Raises
    ------
    BaulkError
        If the tag is not known, the timber has gone, or nothing is known of its air.
    """
    inputs = gather.gather(tag, shop, now_utc, resume=True)
    if inputs.timber.retired_utc is not None:
        raise OutOfRange(f"the timber {inputs.timber.tag}", "has left the yard; nothing is left to choose")
    costs = shop.config.costs
    prices = Prices(hour=costs.hour, coat_m2=costs.coat_m2)
    indoors = outdoor_air.under_roof(shop, tuple(name for name, _ in inputs.elsewhere))
    key = digest.of(inputs.fingerprint(), prices, indoors)
    return Gathered(inputs=inputs, prices=prices, indoors=indoors, key=key, kept=_kept(shop, inputs, key))


def choices(
    shop: Shop, tag: str, now_utc: datetime, told: Callable[[What], None] = lambda _what: None
) -> Choices:
    """Give what could be done with a timber, worked out anew only where something new is known.

    Parameters
    ----------
    shop : Shop
        The open shop; a note is written.
    tag : str
        Which timber.
    now_utc : datetime
        Now, with a time zone.
    told : callable, optional
        Called with what is worked out next.

    Returns
    -------
    Choices
        Side by side.

    Raises
    ------
    BaulkError
        As `gather_for`.
    """
    found = gather_for(shop, tag, now_utc)
    if found.kept is not None:
        return found.kept
    made = found.work_out(told)
    keep(shop, found, made)
    return made


def keep(shop: Shop, found: Gathered, made: Choices) -> None:
    """Keep an answer beside what it was made from.

    Parameters
    ----------
    shop : Shop
        The open shop.
    found : Gathered
        What it was made from.
    made : Choices
        The answer.
    """
    body = {"key": found.key, "made": kept_form.plain(made)}
    shop.store.note(KEPT + found.inputs.timber.tag, json.dumps(body).encode())


def _kept(shop: Shop, inputs: Inputs, key: str) -> Choices | None:
    stored = shop.store.noted(KEPT + inputs.timber.tag)
    if stored is None:
        return None
    try:
        body = json.loads(stored)
        if body["key"] != key:
            return None
        found = kept_form.read(Choices, body["made"])
    except (ValueError, TypeError, KeyError, AttributeError):  # another version's
        return None
    if not isinstance(found, Choices) or not 0 <= inputs.now_s - found.made_utc.timestamp() <= STALE_S:
        return None
    return found
