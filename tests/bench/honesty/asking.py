"""A person who asks every four weeks whether a timber may be squared, and squares it at the first yes.

Far from a yes the asking skips ahead, by what was told alone: half of the way to the date told, or half a
year where none is told. It never looks at the truth.
"""

from __future__ import annotations

from datetime import datetime

from honesty import building, observed, shop_run, truth
from honesty.climates import DAY_S
from honesty.rows import about

WEEKS_4 = 28
FIRST_DAY = 84
NEAR = 0.5  # from this probability on it is asked every four weeks
SKIP_DAYS = 196
SOON_DAYS = 120
YEARS = 5


def until_square(number, *, kept_in=None, resume=False):
    """Rows of every time it was asked, up to the first yes."""
    true = truth.get(number, kept_in=kept_in)
    last = min(YEARS * 365, building.last_day(true))
    noted = [each for each in observed.readings(true) if each.day <= last]
    rows, day = [], FIRST_DAY
    with shop_run.yard(true, noted) as yard:
        while day <= last:
            yard.until(day)
            answer = yard.evaluated(day, resume=resume)
            if answer.get("failed"):
                day += WEEKS_4
                continue
            rows.append({**about(true.piece), **_told(true, day, answer, last)})
            if rows[-1]["step"] == "square":
                break
            day = _next(day, rows[-1])
    return rows


def _told(true, day, answer, last):
    verdict = answer["verdict"]
    service, build = building.movement_mm(true, day)
    tolerance = true.piece.tolerance_mm
    date = verdict["dates"].get("square")
    square_day = None
    if date is not None:
        square_day = (datetime.fromisoformat(date).timestamp() - true.piece.arrived_s) / DAY_S
    row = {
        "day": day,
        "step": verdict["step"],
        "probability": verdict["probability"]["square"],
        "holds": bool(max(service, build) <= tolerance),
        "holds_in_service": bool(service <= tolerance),
        "square_day": square_day,
        "core_now": round(true.at("core", day), 2),
    }
    if square_day is not None and day + WEEKS_4 / 2 < square_day <= last:
        service, build = building.movement_mm(true, square_day)
        row["date_holds"] = bool(max(service, build) <= tolerance)
        row["date_holds_in_service"] = bool(service <= tolerance)
    return row


def _next(day, row):
    if row["probability"] >= NEAR:
        return day + WEEKS_4
    if row["square_day"] is None:
        return day + SKIP_DAYS
    away = row["square_day"] - day
    if away <= SOON_DAYS:
        return day + WEEKS_4
    return day + max(WEEKS_4, WEEKS_4 * int(away / 2 / WEEKS_4))
