"""`--print FILE` of the plans: the same answer on paper."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from baulk.dashboard.commands.answers import say
from baulk.dashboard.commands.options import Print
from baulk.dashboard.printing.plan_sheet import Plan
from baulk.models.units import System, TemperatureUnit

PrintOption = Print


def sheet(  # noqa: PLR0913 - whose plan, whose units
    plan: Plan,
    out: Path | None,
    *,
    shop: str,
    made_utc: datetime,
    system: System,
    temperature: TemperatureUnit,
    told: bool,
) -> None:
    """Write the sheet if one was asked for, and say so if the answer is for a person."""
    if out is None:
        return
    from baulk.dashboard.printing import plan_sheet, style  # noqa: PLC0415 - only a sheet needs it

    style.write(
        out, plan_sheet.pdf(plan, shop=shop, made_utc=made_utc, system=system, temperature=temperature)
    )
    if told:
        say(f"The sheet is in {out}.")
