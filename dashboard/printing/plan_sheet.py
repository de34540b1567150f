"""A plan on paper: the answer, its tables, the drawing to take to the saw, what it assumes, and cautions."""

from __future__ import annotations

from datetime import datetime
from typing import Final

from reportlab.platypus import Flowable, Spacer

from baulk.dashboard import plan_rows, words
from baulk.dashboard.printing import page, saw_drawing, style
from baulk.dashboard.printing.sheet import Sheet
from baulk.dashboard.printing.style import MM
from baulk.models import text, units
from baulk.models.formatting import about, show_movement
from baulk.models.plan.buying.purchase import BuyPlan
from baulk.models.plan.humidity.air_plan import AirPlan
from baulk.models.plan.humidity.summary import summary
from baulk.models.plan.sawing.cutting import CutPlan
from baulk.models.plan.sawing.order import SizePlan
from baulk.models.reason import Reason
from baulk.models.units import System, TemperatureUnit

Plan = AirPlan | SizePlan | CutPlan | BuyPlan
AIR_CAUTIONS: Final = tuple(
    Reason(code=f"caution.{what}") for what in ("machine", "wiring", "mould", "combustion")
)


class _Drawn(Flowable):  # type: ignore[misc]  # the library has no types
    """A drawing for the saw within a page, to the width that it is given."""

    def __init__(self, sheet: Sheet, wide: float) -> None:
        super().__init__()
        self._sheet = sheet
        self._per = min(wide / sheet.wide, 150 * MM / sheet.high)

    def wrap(self, wide: float, high: float) -> tuple[float, float]:  # noqa: ARG002 - the library's own
        return self._sheet.wide * self._per, self._sheet.high * self._per

    def draw(self) -> None:
        self.canv.saveState()
        self.canv.scale(self._per, self._per)
        self._sheet.draw_on(self.canv)
        self.canv.restoreState()


def pdf(  # noqa: PLR0913 - whose plan, whose units, whose paper
    plan: Plan,
    *,
    shop: str,
    made_utc: datetime,
    system: System,
    temperature: TemperatureUnit,
    paper: str | None = None,
) -> bytes:
    """Print a plan.

    Parameters
    ----------
    plan : AirPlan, SizePlan, CutPlan or BuyPlan
        The plan, complete in itself.
    shop : str
        Name of the shop.
    made_utc : datetime
        When it was printed.
    system : "inch" or "metric"
        Units of lengths and masses.
    temperature : "F" or "C"
        Units of temperatures.
    paper : str, optional
        "a4" or "letter"; by the units when left out.

    Returns
    -------
    bytes
        A PDF.
    """
    size = paper or page.paper_of(system)
    room = page.room(size)
    style.fonts()
    title = _title(plan)
    reader = units.temperature_system(temperature) if isinstance(plan, AirPlan) else system
    lines = summary(plan)[:-1] if isinstance(plan, AirPlan) else plan.lines()
    first, *rest = text.sentences(lines, reader, zone=words.zone())
    parts: list[Flowable] = [
        page.text(shop, 8, textColor=style.QUIET),
        page.text(title, 18, bold=True, spaceAfter=5),
        page.text(first, 10, spaceAfter=3),
    ]
    if isinstance(plan, AirPlan):
        parts += page.points(rest)
        parts += _air(plan, temperature, room)
        changes: tuple[Reason, ...] = plan.changes
        cautions: tuple[Reason, ...] = AIR_CAUTIONS
    else:
        drawing = _drawing(plan, system)
        if drawing is not None:
            parts += [Spacer(1, 4), _Drawn(drawing, room * 0.7)]
        parts += _size(plan, system, room) if isinstance(plan, SizePlan) else []
        parts += _buy(plan, system, room) if isinstance(plan, BuyPlan) else page.points(rest)
        changes, cautions = plan.would_change, plan.cautions
    for name, reasons in (
        ("The next best assignments", plan.next_best if isinstance(plan, BuyPlan) else ()),
        ("Assumptions", plan.assumptions),
        ("What would change it", changes),
        ("Cautions", cautions),
    ):
        if reasons:
            parts += [page.heading(name), *page.points(text.sentences(reasons, reader, zone=words.zone()))]
    return page.document(parts, title=title, shop=shop, made_utc=made_utc, paper=size)


def _title(plan: Plan) -> str:
    if isinstance(plan, AirPlan):
        return f"The air of {plan.place}"
    if isinstance(plan, SizePlan):
        return "Size to order or to saw"
    return "Where it lies in the timber" if isinstance(plan, CutPlan) else "What the yard gives, what to buy"


def _drawing(plan: SizePlan | CutPlan | BuyPlan, system: System) -> Sheet | None:
    if isinstance(plan, SizePlan):
        return saw_drawing.of_size(plan, system)
    return saw_drawing.of_cut(plan, system) if isinstance(plan, CutPlan) else None


def _air(plan: AirPlan, temperature: TemperatureUnit, room: float) -> list[Flowable]:
    rows = plan_rows.weeks(plan, temperature, words.day)
    widths = [room * part for part in (0.15, 0.1, 0.1, 0.22, 0.2, 0.13, 0.1)]
    return [page.heading("By week, %RH"), page.table(plan_rows.WEEK_HEADS, rows, widths)]


def _size(plan: SizePlan, system: System, room: float) -> list[Flowable]:
    rows = [
        (
            each.name,
            show_movement(each.width_mm, system),
            show_movement(each.depth_mm, system),
            text.sentence(each.why, system, zone=words.zone()),
            each.mark,
        )
        for each in plan.terms
    ]
    widths = [room * part for part in (0.18, 0.11, 0.11, 0.42, 0.18)]
    return [
        page.heading("The allowance"),
        page.table(("for", "width", "depth", "why", "mark"), rows, widths),
    ]


def _buy(plan: BuyPlan, system: System, room: float) -> list[Flowable]:
    rows = [
        (
            each.part,
            f"{each.count}",
            each.tag,
            units.show_size(each.sawn_width_mm, each.sawn_depth_mm, system),
            about(words.local(each.ready_utc), None, short=True) if each.ready_utc else "after its forecast",
            text.sentence(each.how, system, zone=words.zone()),
        )
        for each in plan.assignments
    ]
    parts: list[Flowable] = []
    if rows:
        heads = ("part", "pieces", "timber", "saw now", "ready", "by")
        widths = [room * part for part in (0.24, 0.08, 0.13, 0.18, 0.15, 0.22)]
        parts += [page.heading("From the yard"), page.table(heads, rows, widths)]
    return [*parts, Spacer(1, 4), *page.points(text.sentences(plan.rest(), system, zone=words.zone()))]
