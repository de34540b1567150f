"""From this timber: where the finished piece or the most pieces lie best, and what each choice costs.

A piece is taken out a little oversize, by what it will still lose (`baulk.models.allowance.engine`), clear of
wane, shakes and knots. Among the clear places those are tried that can matter: the corners of each clear
rectangle, the place nearest to the pith and those in line with it; the one that moves least is chosen.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from baulk.models.allowance import engine
from baulk.models.allowance.parts import Ask, Wet
from baulk.models.errors import OutOfRange
from baulk.models.plan.sawing import allowance, cutting, layout, spots
from baulk.models.plan.sawing.cutting import Choice, CutPlan, Laid, Stock
from baulk.models.plan.sawing.order import Order
from baulk.models.plan.sawing.rects import Rect
from baulk.models.plan.sawing.sweep import Sweep, meet
from baulk.models.reason import Reason
from baulk.models.section import Finished, offsets_mm
from baulk.models.species import Species
from baulk.models.use_class import UseClass

HEARTS: Final = ("boxed", "free")
ALIKE_MM: Final = 0.3  # movements that no saw tells apart; our own judgement, no source
_TRIES: Final = 4  # an allowance is enlarged that often for the heart where the piece lies


def plan(  # noqa: PLR0913 - a timber, a wish, a wood and its use
    stock: Stock,
    order: Order,
    wood: Species,
    use: UseClass,
    *,
    wet: Wet,
    part_sweep_mm: float = 0.0,
    pieces: bool = False,
) -> CutPlan:
    """Lay the finished piece, or the most of them, out in a timber.

    Parameters
    ----------
    stock : Stock
        The timber as it is. [mm]
    order : Order
        What is wanted; its placement and pith are not looked at, for both hearts are tried.
    wood, use
        Its wood and where the piece will live.
    wet : Wet
        How wet the timber is. [%]
    part_sweep_mm : float
        Mid-ordinate of the part's curve over its length, along the depth. [mm]
    pieces : bool
        Whether to lay out as many pieces as will come out, too.

    Returns
    -------
    CutPlan
        The choices, the best first. [mm]

    Raises
    ------
    OutOfRange
        If the timber is too short, or not even the finished size has room anywhere in it.

    References
    ----------
    The search is exact over the places named above; movement by `baulk.models.distortion.movement`.
    """
    if order.length_mm > stock.length_mm:
        raise OutOfRange(
            f"{stock.name}",
            f"is {stock.length_mm:.0f} mm long, too short for a piece of {order.length_mm:.0f} mm",
        )
    ways = _ways(stock, replace(order, start_pct=wet.mean_pct), part_sweep_mm)
    # wane that the plane takes off may stay on a piece
    case = _Case(stock=stock.planed(order.planing_mm), wood=wood, use=use, wet=wet)
    choices: list[Choice] = []
    refused: list[Reason] = []
    for heart in HEARTS:
        choice = _single(case, ways, heart)
        if isinstance(choice, Reason):
            refused.append(choice)
        else:
            choices.append(choice)
    if pieces:
        choices += _several(case, ways)
    if not choices:
        raise OutOfRange(
            stock.name,
            "has no room for it: no clear place, with the heart boxed or free of heart, holds the finished "
            "size; ask for a smaller one or take another timber",
        )
    choices = [
        each for i, each in enumerate(choices) if each.pieces not in [c.pieces for c in choices[i + 1 :]]
    ]
    choices.sort(key=lambda each: (not each.holds, -len(each.pieces), each.largest_mm))
    made = CutPlan(
        stock=stock,
        order=ways[0].order,
        species=wood.name,
        use_class=use.name,
        mean_pct=wet.mean_pct,
        service_pct=use.service_mc_pct,
        tolerated_mm=use.tolerance_mm(order.width_mm, order.depth_mm),
        choices=tuple(choices),
        refused=tuple(refused),
        sweep=ways[0].sweep,
    )
    return replace(
        made,
        assumptions=cutting.assumptions(made, ways[0].order.ask(wood).bow, measured=wet.field is not None),
        would_change=cutting.would_change(made),
        cautions=cutting.cautions(made),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Way:
    """The part upright or turned in the timber, with the bow and crook that it then meets."""

    turned: bool
    order: Order
    sweep: Sweep

    @property
    def finished(self) -> tuple[float, float]:
        return self.along((self.order.width_mm, self.order.depth_mm))

    def ask(self, wood: Species) -> Ask:
        """Return what the allowance is asked, in the timber's axes."""
        asked = self.order.ask(wood)
        return asked.turned() if self.turned else asked

    def along(self, of_part: tuple[float, float]) -> tuple[float, float]:
        """Turn what belongs to the part's width and depth into the timber's axes."""
        return of_part[::-1] if self.turned else of_part


@dataclass(frozen=True, slots=True, kw_only=True)
class _Case:
    stock: Stock
    wood: Species
    use: UseClass
    wet: Wet

    def need(self, way: _Way, heart: str) -> tuple[float, float]:
        asked = replace(way.order, placement="boxed" if heart == "boxed" else "free", pith_mm=None)
        return way.along(allowance.needed(asked, self.wood, self.use).size_mm)


def _ways(stock: Stock, order: Order, part_sweep_mm: float) -> tuple[_Way, ...]:
    """Upright and, where it makes a difference, turned."""
    found = []
    for turned, (along, other) in (
        (False, (stock.bow_mm, stock.crook_mm)),
        (True, (stock.crook_mm, stock.bow_mm)),
    ):
        sweep = meet(part_sweep_mm, order.length_mm, along or 0.0, stock.length_mm)
        across = meet(0.0, order.length_mm, other or 0.0, stock.length_mm)
        least = min(order.width_mm, order.depth_mm)
        if max(sweep.extra_mm, across.extra_mm) > least:
            raise OutOfRange(
                f"the curve of the part in {stock.name}",
                f"asks for {max(sweep.extra_mm, across.extra_mm):.0f} mm more than its section, more than "
                "the "
                "section itself; look for a crook, or build it up",
            )
        found.append(
            _Way(
                turned=turned,
                order=replace(
                    order,
                    bow_mm=None if along is None else sweep.extra_mm,
                    curve_mm=sweep.extra_mm if along is None else 0.0,
                    crook_mm=None if other is None else across.extra_mm,
                ),
                sweep=sweep,
            )
        )
    upright, over = found
    square = abs(order.width_mm - order.depth_mm) < 1e-6
    curved = over.order.bow_mm or over.order.curve_mm
    return (upright,) if square and upright.order == over.order and not curved else (upright, over)


def _single(case: _Case, ways: Sequence[_Way], heart: str) -> Choice | Reason:
    """Choose the place that moves least, with all of the allowance if there is room for it."""
    needs = {way: case.need(way, heart) for way in ways}
    short: Choice | None = None
    for _ in range(_TRIES):
        laid = [
            _laid(case, each, way)
            for way, need in needs.items()
            for each in spots.fits(case.stock, need, heart)
        ]
        if not laid:
            break
        best = _best(laid)
        short = Choice(name=_name(1, heart), heart=heart, pieces=(best,))
        if best.holds:
            return replace(short, pieces=(_on_the_step(case, best, ways, heart),))
        lacks = max(each.spare_mm for each in laid)
        needs = {way: _larger(need, lacks) for way, need in needs.items()}
    if short is not None:
        return short
    laid = [_laid(case, each, way) for way in ways for each in spots.fits(case.stock, way.finished, heart)]
    if laid:
        best = _best(laid)
        return Choice(name=_name(1, heart, when_dry=True), heart=heart, pieces=(best,))
    order, need = ways[0].order, case.need(ways[0], heart)
    return Reason(
        code="sawing.no_place",
        values={
            "heart": heart,
            "width_mm": order.width_mm,
            "depth_mm": order.depth_mm,
            "sawn_width_mm": need[0],
            "sawn_depth_mm": need[1],
        },
    )


def _on_the_step(case: _Case, laid: Laid, ways: Sequence[_Way], heart: str) -> Laid:
    """Give a piece the size that the allowance asks for where it lies, on the saw's step if it has room."""
    sizes = (laid.finished_width_mm, laid.finished_depth_mm)
    way = next(each for each in ways if each.turned == laid.turned and each.finished == sizes)
    ask, step_mm = way.ask(case.wood), way.order.step_mm
    sized = spots.sized(
        case.stock, ask, case.wood, case.use, case.wet, at=laid.piece, heart=heart, step_mm=step_mm
    )
    return laid if sized is None else _laid(case, sized, way)


def _best(laid: Sequence[Laid]) -> Laid:
    """Take the place that moves least; of places alike to the saw the one that lies most evenly."""
    good = [each for each in laid if each.holds] or laid
    least = min(each.largest_mm for each in good)
    alike = [each for each in good if each.largest_mm <= least + ALIKE_MM]
    return min(alike, key=lambda each: abs(each.piece.centre_x_mm) + abs(each.piece.centre_y_mm))


def _several(case: _Case, ways: Sequence[_Way]) -> list[Choice]:
    """Lay out the most pieces, with the heart wherever it falls and with it cut out."""
    found: list[Choice] = []
    order = ways[0].order
    if order.bow_mm is not None and order.crook_mm is not None:  # a turned piece meets the other curve
        curve = max(max(way.order.bow_mm or 0.0, way.order.crook_mm or 0.0) for way in ways)
        order = replace(order, bow_mm=curve, crook_mm=curve)
    upright, turned = (_Way(turned=each, order=order, sweep=ways[0].sweep) for each in (False, True))
    for heart in ("any", "free"):
        need = case.need(upright, heart)
        blocks = layout.inside(case.stock.section, case.stock.blocked)
        if heart == "free" and spots.near(case.stock.section):
            blocks = (*blocks, spots.heart_of(case.stock.section))

        def lay(size: tuple[float, float], blocks: Sequence[Rect] = blocks) -> tuple[Laid, ...]:
            sawn = (round(size[0], 2), round(size[1], 2))
            return tuple(
                _laid(
                    case,
                    spots.placed(case.stock.section, (each.width_mm, each.height_mm), each.centre_mm),
                    upright if abs(each.width_mm - sawn[0]) < 1e-3 else turned,
                )
                for each in layout.most_pieces(
                    case.stock.section, blocks, sawn, order.kerf_mm, case.stock.wane
                )
            )

        for _ in range(_TRIES):
            laid = lay(need)
            if len(laid) < 2 or all(each.holds for each in laid):
                break
            need = _larger(need, min(each.spare_mm for each in laid))
        if len(laid) > 1:
            on_the_step = lay((engine.up(need[0], order.step_mm), engine.up(need[1], order.step_mm)))
            if len(on_the_step) == len(laid) and all(each.holds for each in on_the_step):
                laid = on_the_step
            least = (min(each.piece.width_mm for each in laid), min(each.piece.depth_mm for each in laid))
            if any(each.turned for each in laid):
                least = (laid[0].piece.width_mm, laid[0].piece.depth_mm)
            most = layout.at_most(
                case.stock.section, case.stock.blocked, least, order.kerf_mm, case.stock.wane
            )
            name = _name(len(laid), heart)
            found.append(Choice(name=name, heart=heart, pieces=laid, at_most=most))
    return found


def _larger(need: tuple[float, float], spare_mm: float) -> tuple[float, float]:
    """Add what a piece lacks, and a little, to what is sawn."""
    return need[0] - spare_mm * 1.05, need[1] - spare_mm * 1.05


def _laid(case: _Case, place: Finished, way: _Way) -> Laid:
    """Say how a piece sawn there today moves, and whether the finished size is still in it afterwards."""
    section, finished = case.stock.section, way.finished
    size = (place.width_mm, place.depth_mm)
    pith = engine.inside(section, (place.centre_x_mm, place.centre_y_mm))
    terms, moved = engine.parts(way.ask(case.wood), case.wood, case.use, case.wet, size, pith)
    spare = (
        size[0] - finished[0] - sum(each.width_mm for each in terms),
        size[1] - finished[1] - sum(each.depth_mm for each in terms),
    )
    return Laid(
        piece=place,
        finished_width_mm=finished[0],
        finished_depth_mm=finished[1],
        turned=way.turned,
        boxed=place.inside(section).boxed_heart,
        off_mm={face.value: off + 0.0 for face, off in offsets_mm(section, place).items()},
        largest_mm=float(moved.largest_mm),
        width_mm=float(moved.width_mm),
        depth_mm=float(moved.depth_mm),
        out_of_square_mm=float(moved.out_of_square_mm),
        cup_mm=float(moved.cup_mm),
        check_mm=float(moved.check_mm),
        spare_mm=min(spare),
    )


def _name(count: int, heart: str, *, when_dry: bool = False) -> Reason:
    """Return what a choice is called."""
    return Reason(code="sawing.choice", values={"count": count, "heart": heart, "when_dry": when_dry})
