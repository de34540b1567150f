"""What is told of a plan of a room's air that is looked back on, as reasons."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from baulk.models.plan.humidity.looked_back import EARLY_WEEKS, AirBack, LookedBack, TimberBack
from baulk.models.reason import Reason

AGES: Final = (EARLY_WEEKS, 13.0, 26.0, 52.0, 78.0)  # weeks, of plans that nobody follows and that are told


def said(found: LookedBack) -> tuple[Reason, ...]:
    """Return what is told of a plan that is looked back on.

    Parameters
    ----------
    found : LookedBack
        The plan and what came.

    Returns
    -------
    tuple of Reason
        Which plan, then air, timbers, checks and water; only the first while it is too early.

    References
    ----------
    None: the fields of `LookedBack`.
    """
    promise = found.promise
    head = Reason(
        code="back.plan" if promise.followed else "back.kept",
        values={
            "made_utc": promise.made_utc,
            "way": promise.what,
            "by": promise.followed.by if promise.followed else "",
            "weeks": found.weeks,
        },
    )
    if found.too_early:
        return head, Reason(code="back.early", values={"weeks": found.weeks, "wanted_weeks": EARLY_WEEKS})
    return (
        head,
        *_air_said(found.air),
        *(reason for each in found.timbers for reason in _timber_said(each)),
        *_no_date_said(found.timbers),
        _checks_said(found),
        *_water_said(found),
    )


def _air_said(air: AirBack | None) -> tuple[Reason, ...]:
    if air is None:
        return (Reason(code="back.no_air"),)
    told = []
    if air.inside is not None:
        told.append(
            Reason(
                code="back.inside",
                values={
                    "share": air.inside.mean,
                    "se_share": air.inside.se,
                    "hours": air.hours,
                    "weeks": air.weeks,
                },
            )
        )
    if air.rh_off_pct is not None and air.rh_promised_pct is not None:
        off = air.rh_off_pct
        told.append(
            Reason(
                code="back.humidity",
                values={
                    "promised_pct": air.rh_promised_pct,
                    "measured_pct": air.rh_promised_pct + off.mean,
                    "se_pct": off.se,
                },
            )
        )
    if air.temp_off_k is not None:
        off = air.temp_off_k
        told.append(Reason(code="back.warmth", values={"off_k": off.mean, "se_k": off.se}))
    return tuple(told)


def _timber_said(each: TimberBack) -> tuple[Reason, ...]:
    if each.left:
        return (Reason(code="back.left", values={"tag": each.tag}),)
    told = []
    sd = each.moisture_sd_pct
    if each.promised_pct is not None and each.now_pct is not None and sd is not None:
        told.append(
            Reason(
                code="back.moisture",
                values={
                    "tag": each.tag,
                    "promised_pct": each.promised_pct.median,
                    "now_pct": each.now_pct,
                    "sd_pct": sd,
                },
            )
        )
    if each.promised_utc is None:
        return tuple(told)  # those without a date are told together, by `_no_date_said`
    code = "back.unknown"
    if each.ready_utc is not None:
        code = "back.ready"
    elif each.late_days is not None:
        code = "back.overdue" if each.due else "back.ahead"
    date = Reason(
        code=code,
        values={
            "tag": each.tag,
            "promised_utc": each.promised_utc,
            "came_utc": each.ready_utc or each.expected_utc,
            "late_days": each.late_days,
            "sd_days": each.sd_days,
        },
    )
    return (*told, date)


def _no_date_said(timbers: Sequence[TimberBack]) -> tuple[Reason, ...]:
    """Return in one reason which timbers of the room no date was promised for."""
    tags = tuple(each.tag for each in timbers if each.promised_utc is None and not each.left)
    return (Reason(code="back.no_date", values={"tags": tags}),) if tags else ()


def _checks_said(found: LookedBack) -> Reason:
    return Reason(
        code="back.checks",
        values={
            "chance": found.promise.check_chance,
            "tags": found.checked,
            "count": len(found.promise.green),
            "over": found.year_over,
        },
    )


def _water_said(found: LookedBack) -> tuple[Reason, ...]:
    promise, used = found.promise, found.used
    if not promise.litres and not promise.kwh:
        return ()
    year = {"litres": promise.litres, "energy_kwh": promise.kwh, "told": used is not None}
    if used is None:
        return (Reason(code="back.water", values=year),)
    return Reason(code="back.water", values=year), Reason(
        code="back.used",
        values={
            "litres": used.litres,
            "promised_litres": used.promised_litres,
            "litres_days": used.litres_days,
            "energy_kwh": used.kwh,
            "promised_kwh": used.promised_kwh,
            "kwh_days": used.kwh_days,
        },
    )


def told(plans: Sequence[LookedBack]) -> tuple[LookedBack, ...]:
    """Return the plans that are worth telling one by one.

    Parameters
    ----------
    plans : sequence of LookedBack
        Of one room, the newest first.

    Returns
    -------
    tuple of LookedBack
        Every one that is followed; of the others, of which neighbours tell nearly the same, the newest that
        is at least as old as each of `AGES`; without any, the newest, which is too young. Newest first.

    References
    ----------
    None: our own judgement.
    """
    first = [
        next((one for one in plans if not one.promise.followed and one.weeks >= age), None) for age in AGES
    ]
    ages = {one.promise.made_utc for one in first if one is not None}
    found = tuple(one for one in plans if one.promise.followed or one.promise.made_utc in ages)
    return found or tuple(plans[:1])
