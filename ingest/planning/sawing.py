"""What a plan needs of a shop: its timbers as the last evaluations have them, and the air that is to come."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

import numpy as np

from baulk.ingest import config as settings
from baulk.ingest import shop as shops
from baulk.ingest.evaluation import climate, curves
from baulk.ingest.evaluation.document import Document
from baulk.ingest.evaluation.document_read import document_of
from baulk.ingest.shop import Shop
from baulk.models.air import AirSeries
from baulk.models.allowance.parts import INTERVAL_SDS, Wet, finished_length_mm
from baulk.models.errors import OutOfRange
from baulk.models.openings import kerfed
from baulk.models.plan.buying.parts import Part
from baulk.models.plan.buying.purchase import InYard
from baulk.models.plan.sawing import obstacles, place_cut
from baulk.models.plan.sawing.bevel import Bevel, wane
from baulk.models.plan.sawing.cutting import CutPlan, Stock
from baulk.models.plan.sawing.order import Order
from baulk.models.plan.sawing.rects import Rect
from baulk.models.section import Section
from baulk.models.species import SpeciesTable
from baulk.models.timber import Event, EventKind, Timber
from baulk.models.units import LengthUnit, length_mm, offset_mm, size_mm
from baulk.models.verdict.comes_out import Recorded, recorded
from baulk.models.wane import Wane, corner_of
from baulk.models.woods import Woods

FUTURES: Final = 4
# what tells how large a timber is and what no piece of it may hold
_OF_SIZE: Final = (
    EventKind.PLANED, EventKind.MEASURED, EventKind.KERFED, EventKind.CHECKED, EventKind.DEFECT,
)  # fmt: skip
AHEAD: Final = timedelta(days=5 * 365)


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """A timber to cut from, as a person gives it: by its tag, or by its measured section.

    Parameters
    ----------
    tag, section : str or None
        One of the two; the section as typed.
    timber_length_mm : float or None
        Its length; that of the register, or of the part. [mm]
    pith : str or None
        Pith from the centre, as typed.
    species, use_class : str or None
        In place of the register's.
    mc_pct : float or None
        An even moisture content in place of its evaluation's. [%]
    finished, length : bool
        Whether the order's section and length were given; else the register's.
    corners, defects : tuple of str
        Wane and other losses, as typed.
    bow_mm, crook_mm : float or None
        Curves of the timber as measured; None takes its own or the usual ones. [mm]
    sweep_mm : float
        Curve of the part. [mm]
    pieces : bool
        Whether the most pieces are wanted.
    """

    tag: str | None = None
    section: str | None = None
    timber_length_mm: float | None = None
    pith: str | None = None
    species: str | None = None
    use_class: str | None = None
    mc_pct: float | None = None
    finished: bool = True
    length: bool = True
    corners: tuple[str, ...] = ()
    defects: tuple[str, ...] = ()
    bow_mm: float | None = None
    crook_mm: float | None = None
    sweep_mm: float = 0.0
    pieces: bool = False


def cut(asked: Asked, order: Order, shop_dir: Path, bare: LengthUnit) -> CutPlan:
    """Plan the cuts of a timber, opening the shop only when it is asked for by its tag."""
    if asked.tag is None:
        return _cut(asked, as_seen(order, shop_dir), bare, None, None, shops.woods_of(shop_dir))
    with shops.open(shop_dir) as shop:
        return cut_in(shop, asked, order, bare)


def as_seen(order: Order, shop_dir: Path) -> Order:
    """Return an order with the curves that were measured in a shop, where there is one."""
    if not (shop_dir / settings.FILE).exists():
        return order
    with shops.open(shop_dir) as shop:
        return replace(order, seen=curves.measured(shop))


def cut_in(shop: Shop, asked: Asked, order: Order, bare: LengthUnit) -> CutPlan:
    """Plan the cuts of a timber of an open shop."""
    timber = None if asked.tag is None else shop.register.get(asked.tag)
    answer = None if timber is None else answer_of(shop, timber.tag)
    own: Recorded | None = None
    events: tuple[Event, ...] = ()
    if timber is not None:
        events = tuple(shop.register.events(timber.tag))
        timber, own = kerfed(timber, events), recorded(timber, events)
    order = replace(order, seen=curves.measured(shop))
    return _cut(asked, order, bare, timber, answer, shop.woods, own, events)


def _cut(  # noqa: PLR0913, PLR0917 - what is asked, and what the shop knows
    asked: Asked,
    order: Order,
    bare: LengthUnit,
    timber: Timber | None,
    answer: Document | None,
    woods: Woods,
    own: Recorded | None = None,
    events: Sequence[Event] = (),
) -> CutPlan:
    kind = asked.species or (timber.species if timber else None)
    use = asked.use_class or (timber.use_class if timber else None)
    if kind is None or use is None:
        raise OutOfRange(
            "a timber that is not in the register", "needs its wood and its use: --species, --use"
        )
    if timber is None and not (asked.finished and asked.length):
        raise OutOfRange("a timber that is not in the register", "needs --finished and --length")
    section = _section(asked, timber, bare)
    if timber is not None:
        order = replace(
            order,
            width_mm=order.width_mm if asked.finished else timber.finished.width_mm,
            depth_mm=order.depth_mm if asked.finished else timber.finished.depth_mm,
            length_mm=order.length_mm
            if asked.length
            else finished_length_mm(timber.length_mm, order.trim_mm),
        )
    long = asked.timber_length_mm or (timber.length_mm if timber else order.length_mm + 2 * order.trim_mm)
    wood = woods.species.get(kind)
    measured = own if asked.section is None else None
    if asked.mc_pct is not None:
        moisture = Wet(mean_pct=asked.mc_pct)
    elif timber is None:
        moisture = Wet(mean_pct=wood.green_heartwood_mc_pct)
    else:
        moisture = wet(timber, answer if section == timber.section else None, woods.species)
        if section != timber.section and answer is not None:
            moisture = replace(wet(timber, answer, woods.species), field=None)
    if own is not None and asked.section is None:
        section = _as_recorded(section, own)
    named = tuple(corner(section, each, bare) for each in asked.corners)
    seen = measured.wane if measured else Wane()
    stock = Stock(
        name=timber.tag if timber else "the timber",
        section=section,
        length_mm=long,
        defects=(
            *(obstacles.defects(section, events) if measured else ()),
            *(defect(each, bare) for each in asked.defects),
        ),
        wane=named or obstacles.bevels(section, seen),
        wane_everywhere=seen.everywhere and not named,
        checks=obstacles.checks(section, events) if measured else (),
        bow_mm=asked.bow_mm if asked.bow_mm is not None or own is None else own.bow_mm,
        crook_mm=asked.crook_mm if asked.crook_mm is not None or own is None else own.crook_mm,
    )
    return place_cut.plan(
        stock,
        order,
        wood,
        woods.use_classes.get(use),
        wet=moisture,
        part_sweep_mm=asked.sweep_mm,
        pieces=asked.pieces,
    )


def _as_recorded(section: Section, own: Recorded) -> Section:
    """Return a timber's section as it was planed or measured last; the pith stays where it is."""
    return replace(section, width_mm=own.width_mm, depth_mm=own.depth_mm)


def _section(asked: Asked, timber: Timber | None, bare: LengthUnit) -> Section:
    if asked.section is not None:
        width, depth = size_mm(asked.section, bare=bare)
        own = Section(width_mm=width, depth_mm=depth)
        if timber is not None:
            own = replace(own, pith_x_mm=timber.section.pith_x_mm, pith_y_mm=timber.section.pith_y_mm)
    else:
        assert timber is not None  # noqa: S101 - one of the two was given
        own = timber.section
    if asked.pith is None:
        return own
    x, y = offset_mm(asked.pith.replace(",", " x "), bare=bare, what="the pith")
    return replace(own, pith_x_mm=x, pith_y_mm=y)


def answer_of(shop: Shop, tag: str) -> Document | None:
    """Read a timber's last evaluation; None when there is none that tells anything."""
    stored = shop.store.evaluation(tag)
    return document_of(stored and stored[1])


def wet(timber: Timber, answer: Document | None, known: SpeciesTable) -> Wet:
    """Say how wet a timber is: by its evaluation, else green by what is known of its wood."""
    if answer is None:
        return Wet(mean_pct=timber.green_mc_pct or known.get(timber.species).green_heartwood_mc_pct)
    field = answer.field_now.moisture(timber.section, answer.made_utc.timestamp())
    mean = answer.mean_now_pct
    return Wet(mean_pct=mean.median, field=field, sd_pct=(mean.high - mean.low) / INTERVAL_SDS)


def yard(shop: Shop, confidence: float) -> list[InYard]:
    """Gather every timber of the register as buying looks at it."""
    found = []
    events: dict[str, list[Event]] = {}
    for kind in _OF_SIZE:
        for each in shop.register.events(kind=kind):
            events.setdefault(each.tag, []).append(each)
    for some in events.values():
        some.sort(key=lambda each: (each.at_utc, each.number))
    for held in shop.register.list():
        timber = kerfed(held, events.get(held.tag, ()))
        answer = answer_of(shop, timber.tag)
        square = None if answer is None else answer.verdict.dates.get("square")
        if answer is not None and answer.verdict.step == "square":
            square = answer.made_utc
        seen = events.get(timber.tag, [])
        own, moisture = recorded(timber, seen), wet(timber, answer, shop.woods.species)
        section = _as_recorded(timber.section, own)
        found.append(
            InYard(
                stock=Stock(
                    name=timber.tag,
                    section=section,
                    length_mm=timber.length_mm,
                    defects=obstacles.defects(section, seen),
                    wane=obstacles.bevels(section, own.wane),
                    wane_everywhere=own.wane.everywhere,
                    checks=obstacles.checks(section, seen),
                    bow_mm=own.bow_mm,
                    crook_mm=own.crook_mm,
                ),
                wood=shop.woods.species.get(timber.species),
                mean_pct=moisture.mean_pct,
                field=moisture.field,
                sd_pct=moisture.sd_pct,
                use_class=timber.use_class,
                finished_mm=(timber.finished.width_mm, timber.finished.depth_mm),
                square_utc=square,
                square_probability=0.0 if answer is None else answer.verdict.wanted,
                ahead_posix_s=() if answer is None else answer.forecast.posix_s,
                ahead_mean_pct=() if answer is None else _mean_at(answer, confidence),
                measured=answer is not None,
            )
        )
    return found


def futures(shop: Shop, now_utc: datetime, parts: Sequence[Part]) -> tuple[AirSeries, ...]:
    """Air of some possible years where most timbers lie, or none when nothing is known of it."""
    places = Counter(timber.place for timber in shop.register.list())
    place = places.most_common(1)[0][0] if places else ""
    days = [part.wanted_by_utc for part in parts if part.wanted_by_utc is not None]
    undated = len(days) < len(parts)
    last = max([*days, now_utc + AHEAD] if undated else days, default=now_utc + AHEAD)
    try:
        own = shop.store.air(place) if place in shop.store.places() else None
    except ValueError:  # temperatures without humidities
        own = None
    try:
        year = climate.season(own, shop.config, place)
    except OutOfRange:
        return ()
    until = max(last, now_utc) + timedelta(days=7)
    return year.years(now_utc.timestamp(), until.timestamp(), FUTURES)


def defect(text: str, bare: LengthUnit) -> Rect:
    """Read a defect: its lower left corner from the section's centre, then its width and height."""
    words = text.split(",")
    if len(words) != 4:
        raise OutOfRange(
            "a defect", f"is x,y,width,height from the section's centre, such as '-4,-3.5,1,2', not {text!r}"
        )
    x, y = (length_mm(each, bare=bare, signed=True) for each in words[:2])
    width, height = (length_mm(each, bare=bare) for each in words[2:])
    return Rect(x_mm=x, y_mm=y, width_mm=width, height_mm=height)


def corner(section: Section, text: str, bare: LengthUnit) -> Bevel:
    """Read a loss at a corner: its faces, then how far across and down, as 'ab 1 x 3/4 in'."""
    faces, legs = corner_of(text, bare)
    return wane(section, faces, legs)


def _mean_at(answer: Document, confidence: float) -> tuple[float, ...]:
    """Mean moisture that the timber is below with this confidence, along its forecast."""
    rows = np.array(answer.forecast.mean_pct)
    of = answer.forecast.quantiles
    at = np.interp(confidence, of, range(len(of)))
    low = min(int(at), len(of) - 2)
    found = rows[low] * (1 - (at - low)) + rows[low + 1] * (at - low)
    return tuple(float(each) for each in found)
