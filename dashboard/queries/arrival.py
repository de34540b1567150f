"""What the Arrival page asks of the shop: the next tag, a weight to lift, and the timber entered whole."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from baulk.dashboard import typed, words
from baulk.dashboard.queries import shop_facts
from baulk.dashboard.server import preferences
from baulk.dashboard.server.shop_access import ask
from baulk.ingest import hand_readings, photos
from baulk.ingest.errors import Unlikely
from baulk.ingest.evaluation import still_fits
from baulk.ingest.walk import arrivals
from baulk.models import moisture_text, sapwood, text
from baulk.models.errors import OutOfRange
from baulk.models.plausible import Finding, Level
from baulk.models.quantity import Quantity
from baulk.models.section import Finished, Section
from baulk.models.timber import Timber
from baulk.models.units import (
    System,
    default_length_unit,
    default_mass_unit,
    length_mm,
    mass_kg,
    show_size,
    size_mm,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class First:
    """First readings as they were typed; empty fields are none."""

    weight: str = ""
    mc: str = ""
    depth: str = ""


def next_tag() -> str:
    """Return the next free tag."""
    return ask(lambda s: s.register.next_tag())


def green_weight(
    which: Section, length: str, species_name: str, system: System, heartwood_mm: float | None = None
) -> sapwood.GreenWeight:
    """Estimate what a green piece may weigh, to know how to lift it."""
    wood = shop_facts.woods().species.get(species_name)
    return sapwood.green_weight(which, typed.along_mm(length, system), wood, heartwood_mm=heartwood_mm)


def little_left(tag: str, system: System) -> str | None:
    """Say when little of a timber is left for its finished size, or when that no longer comes out of it."""
    out = ask(lambda s: still_fits.reason(s, tag))
    return text.sentence(out, system) if still_fits.little_left(out) else None


def tag_in(  # noqa: PLR0913 (one argument a field of the form)
    *,
    tag: str,
    species_name: str,
    green: Section,
    finished: str,
    length: str,
    use: str,
    place: str,
    ends_sealed: bool,
    system: System,
    now: datetime,
    heartwood_mm: float | None = None,
    first: First | None = None,
    photo: bytes | None = None,
    sure: bool = False,
) -> Timber:
    """Register a timber that has just been set on its bearers, with its first readings and its picture.

    Everything typed is understood before anything is entered, so that a slip leaves nothing half done.
    """
    width, depth = size_mm(finished, bare=default_length_unit(system))
    if width > green.width_mm or depth > green.depth_mm:
        raise OutOfRange(
            "the finished size",
            f"of {show_size(width, depth, system)} does not fit in the green "
            f"{show_size(green.width_mm, green.depth_mm, system)}; swap the two sides or make it smaller",
        )
    piece = Timber(
        tag=tag.strip(),
        species=species_name,
        section=green,
        length_mm=typed.along_mm(length, system),
        finished=Finished(width_mm=width, depth_mm=depth),
        use_class=use,
        place=place.strip(),
        arrived_utc=now,
        ends_sealed=ends_sealed,
        heartwood_mm=heartwood_mm,
    )
    readings = _understood(first or First(), piece, system)
    _refuse_odd(ask(lambda s: arrivals.findings(s, piece, readings)), system, sure=sure)
    by = preferences.chosen().name
    ask(lambda s: arrivals.enter(s, piece, readings, now_utc=now, by=by))
    if photo is not None:
        ask(lambda s: photos.keep(s, piece.tag, photo, now_utc=now, by=by))
    return piece


def take_back(tag: str, now: datetime) -> str:
    """Take a timber back that was entered by mistake, and say so."""
    by = preferences.chosen().name
    return f"{ask(lambda s: arrivals.take_back(s, tag, by=by, now_utc=now))} is taken back."


def said_back(tag: str, system: System) -> str:
    """Say back what was understood of a timber that was entered."""
    piece = ask(lambda s: s.register.get(tag))
    wood = shop_facts.woods().species.get(piece.species)
    weighs = sapwood.green_weight(piece.section, piece.length_mm, wood, heartwood_mm=piece.heartwood_mm)
    return text.sentence(sapwood.entered(piece, weighs), system)


def _refuse_odd(found: list[Finding], system: System, *, sure: bool) -> None:
    """Refuse what can't be, and what can hardly be meant unless the person is sure of it."""
    told = " ".join(text.sentences((each.reason for each in found), system, zone=words.zone()))
    if any(each.level is Level.IMPOSSIBLE for each in found):
        raise OutOfRange("this can't be:", told)
    if found and not sure:
        raise Unlikely(told)


def _understood(first: First, piece: Timber, system: System) -> list[arrivals.First]:
    found = []
    if first.weight.strip():
        kg = mass_kg(first.weight, bare=default_mass_unit(system))
        found.append(arrivals.First(quantity=Quantity.WEIGHT, value=kg))
    if first.mc.strip():
        if not first.depth.strip():
            raise OutOfRange("the pin reading", "needs the depth of the pin tips beside it")
        deep = length_mm(first.depth, bare=default_length_unit(system))
        piece.section.refuse_depth(deep)
        shown = moisture_text.read(first.mc, top_pct=ask(hand_readings.scale_end_pct))
        found.append(
            arrivals.First(
                quantity=Quantity.MOISTURE, value=shown.mc_pct, at_least=shown.at_least, depth_mm=deep
            )
        )
    return found
