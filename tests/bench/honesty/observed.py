"""What a shop writes down of a timber: pins, weights and the wood's temperature, with gaps and errors."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from honesty import grid, meters

SCALE_SD = 0.005
GAP_EVERY_DAYS = 455


@dataclass(frozen=True, kw_only=True)
class Noted:
    """One reading: `what` is "pins", "weight" or "wood"."""

    day: float
    what: str
    value: float
    depth_mm: float | None = None
    face: str | None = None


def missing(rng, count, days):
    """Stretches in which nobody read anything."""
    return [(begin, begin + rng.uniform(7, 56)) for begin in rng.uniform(10, days, count)]


def readings(truth):
    """Everything that is noted over the truth's whole time, by day."""
    piece = truth.piece
    rng = np.random.default_rng([23, piece.number])
    days = float(truth.mean_pct.size - 1)
    away = missing(rng, round(piece.gaps * days / GAP_EVERY_DAYS), days)
    found = [
        *_pins(rng, truth, days),
        *(_weights(rng, truth, days) if piece.weighed else ()),
    ]
    kept = [each for each in found if not any(a < each.day < b for a, b in away)]
    return sorted(kept, key=lambda each: each.day)


def _pins(rng, truth, days):
    piece, meter = truth.piece, truth.piece.meter
    for planned in np.arange(5.0, days, piece.pin_days):
        day = float(planned) + float(rng.integers(0, 3))
        if day >= days:
            return
        wood_c = float(np.interp(day, np.arange(truth.wood_c.size), truth.wood_c))
        if meter.temperature_known:
            yield Noted(day=day, what="wood", value=round(wood_c + float(rng.normal(0, 0.7)), 1))
        field = truth.field(day)
        for face in piece.pin_faces:
            aside = float(rng.normal(0, 15)) if meter.driven_anew else 0.0
            for depth in piece.pins_mm:
                tip = depth + (float(rng.normal(0, 1.5)) if meter.driven_anew else 0.0)
                true = grid.pin_pct(
                    field,
                    piece.width_mm,
                    piece.depth_mm,
                    face,
                    tip,
                    meter.bare_mm,
                    aside,
                )
                shown = meters.shown_pct(rng, meter, true, wood_c)
                yield Noted(day=day, what="pins", value=shown, depth_mm=float(depth), face=face)


def dry_kg(piece):
    """Oven-dry mass of the whole timber: basic density times green volume."""
    volume_m3 = piece.width_mm * piece.depth_mm * piece.length_mm / 1e9
    return piece.kind.basic_kg_m3 * piece.density_factor * volume_m3


def _weights(rng, truth, days):
    every = float(rng.integers(28, 36))
    for day in np.arange(1.0, days, every):
        kilos = dry_kg(truth.piece) * (1 + truth.at("whole", day) / 100)
        yield Noted(
            day=float(day),
            what="weight",
            value=round(kilos * (1 + rng.normal(0, SCALE_SD)), 1),
        )
