"""Whether the numbers of an event can be so: weights, sizes, an oven-dried section, curves and checks.

What the register refuses of every event (a depth beyond the section, a cut that makes longer) it refuses
itself (`ingest.register.event_rules`); here stands what depends on the wood, and what is only unlikely.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Final

from baulk.models import plausible
from baulk.models.plausible import Finding, Level, Limits
from baulk.models.reason import Reason, Values
from baulk.models.section import Section
from baulk.models.species import Species
from baulk.models.timber import Event, EventKind, Timber, Value

# beyond these a number is asked about: our own judgement, no source
USUAL_CURVE: Final = 0.02  # bow, crook and twist, of the length
USUAL_FORM: Final = 0.08  # cup and the worst corner off the square, of the wider side
USUAL_OPENING: Final = 0.08  # width of a check, of the wider side
USUAL_GROWN: Final = 1.02  # a side today, of the side as entered
USUAL_LEFT: Final = 0.9
_OF_LENGTH: Final = ("bow_mm", "crook_mm", "twist_mm")
_OF_SIDE: Final = ("cup_mm", "out_of_square_mm")


def of_event(
    event: Event, timber: Timber, wood: Species | None, *, tare_kg: float = 0.0
) -> tuple[Finding, ...]:
    """Return what speaks against the numbers of an event.

    Parameters
    ----------
    event : Event
        As understood, before it is entered. [mm, kg, %]
    timber : Timber
        As it was then. [mm]
    wood : Species or None
        Its wood; without it weights and moisture are held against nothing.
    tare_kg : float
        Slings and pallet that are weighed with it. [kg]

    Returns
    -------
    tuple of Finding
        None where nothing speaks against it, one where it is impossible, else all that is unlikely.

    References
    ----------
    As in `plausible.limits`; the other limits are our own judgement, without a source.
    """
    found = [
        *_weights(event, timber, wood, tare_kg),
        *_oven_dried(event, timber, wood),
        *_sizes(event, timber),
    ]
    impossible = tuple(each for each in found if each.level is Level.IMPOSSIBLE)
    return impossible[:1] or tuple(found)


def _after(event: Event, timber: Timber) -> Timber:
    """Return the timber that a cut or a planing leaves, as far as a finished piece still fits in it."""
    length_mm, section = timber.length_mm, timber.section
    if event.kind is EventKind.CUT:
        length_mm = float(event.detail["length_mm"])
    if event.kind is EventKind.PLANED:
        width_mm, depth_mm = float(event.detail["width_mm"]), float(event.detail["depth_mm"])
        section = Section(width_mm=width_mm, depth_mm=depth_mm)
    least = min(section.width_mm, timber.finished.width_mm), min(section.depth_mm, timber.finished.depth_mm)
    piece = replace(timber.finished, width_mm=least[0], depth_mm=least[1], centre_x_mm=0.0, centre_y_mm=0.0)
    return replace(timber, section=section, length_mm=length_mm, finished=piece)


def _weights(event: Event, timber: Timber, wood: Species | None, tare_kg: float) -> list[Finding]:
    if wood is None:
        return []
    sizes = {"weight_before_kg": timber}
    if "weight_after_kg" in event.detail:
        sizes["weight_after_kg"] = _after(event, timber)
    found = []
    for name, piece in sizes.items():
        if name in event.detail:
            found += _weight(float(event.detail[name]), piece, plausible.limits(piece, wood), tare_kg)
    if "tare_kg" in event.detail:
        kg, most_kg = float(event.detail["tare_kg"]), plausible.limits(timber, wood).heavy_kg
        if kg > most_kg:
            values: Values = {"kg": kg, "most_kg": most_kg, "tag": timber.tag}
            found.append(
                Finding(level=Level.UNLIKELY, reason=Reason(code="plausible.heavy_tare", values=values))
            )
    return found


def _weight(kg: float, piece: Timber, can: Limits, tare_kg: float) -> list[Finding]:
    held: Values = {"kg": kg, "species": piece.species}
    if not can.lightest_kg <= kg <= can.heaviest_kg + tare_kg:
        ends: Values = {"lightest_kg": can.lightest_kg, "heaviest_kg": can.heaviest_kg + tare_kg}
        reason = Reason(code="plausible.no_such_weight", values={**held, **ends})
        return [Finding(level=Level.IMPOSSIBLE, reason=reason)]
    if can.light_kg <= kg <= can.heavy_kg + tare_kg:
        return []
    ends = {"light_kg": can.light_kg, "heavy_kg": can.heavy_kg + tare_kg}
    return [
        Finding(level=Level.UNLIKELY, reason=Reason(code="plausible.odd_weight", values={**held, **ends}))
    ]


def _oven_dried(event: Event, timber: Timber, wood: Species | None) -> list[Finding]:
    if event.kind is not EventKind.OVEN_DRIED or wood is None:
        return []
    mc_pct, most_pct = float(event.detail["mc_pct"]), plausible.limits(timber, wood).wettest_pct
    if mc_pct > most_pct:
        values: Values = {"mc_pct": mc_pct, "most_pct": most_pct, "species": timber.species}
        return [Finding(level=Level.IMPOSSIBLE, reason=Reason(code="plausible.pores_full", values=values))]
    if 0 < mc_pct <= plausible.RATIO:
        values = {"quantity": "moisture", "value": mc_pct, "unit": "%"}
        return [Finding(level=Level.UNLIKELY, reason=Reason(code="plausible.ratio", values=values))]
    return []


def _sizes(event: Event, timber: Timber) -> list[Finding]:
    if event.kind in {EventKind.CUT, EventKind.PLANED}:
        return [each for each in plausible.of_timber(_after(event, timber)) if each.level is Level.UNLIKELY]
    wide_mm = max(timber.section.width_mm, timber.section.depth_mm)
    if event.kind is EventKind.CHECKED:
        return _beyond(event.detail, {"width_mm": USUAL_OPENING * wide_mm})
    if event.kind is not EventKind.MEASURED:
        return []
    over_mm = float(event.detail.get("length_mm", timber.length_mm))
    most = dict.fromkeys(_OF_LENGTH, USUAL_CURVE * over_mm) | dict.fromkeys(_OF_SIDE, USUAL_FORM * wide_mm)
    found = _beyond(event.detail, most)
    for name in ("width_mm", "depth_mm"):
        green_mm, now_mm = getattr(timber.section, name), float(event.detail.get(name, 0.0))
        if now_mm and not USUAL_LEFT * green_mm <= now_mm <= USUAL_GROWN * green_mm:
            values: Values = {"what": name.removesuffix("_mm"), "now_mm": now_mm, "green_mm": green_mm}
            found.append(
                Finding(level=Level.UNLIKELY, reason=Reason(code="plausible.odd_side", values=values))
            )
    return found


def _beyond(detail: Mapping[str, Value], most: Mapping[str, float]) -> list[Finding]:
    return [
        Finding(
            level=Level.UNLIKELY,
            reason=Reason(
                code="plausible.odd_measure",
                values={"what": name, "size_mm": float(detail[name]), "usual_mm": usual_mm},
            ),
        )
        for name, usual_mm in most.items()
        if name in detail and float(detail[name]) > usual_mm
    ]
