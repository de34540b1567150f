"""The timbers: what the shop may know of each and what nobody knows, drawn anew from a number.

The numbers of the woods are retyped from the Wood Handbook, FPL-GTR-282: green moisture of heart and sapwood
table 4-1, shrinkage table 4-3, basic density table 5-3, elastic ratios tables 5-1 and 5-2 (larch nu_RT from
memory; where G_RT is not printed for a wood we take 0.02 E_L for oak). Speeds: red oak is the unit, white oak
0.8 (longer 4/4 times of FPL-GTR-117 from a lower start, from memory), softwood 2 (Laslett, Timber and Timber
Trees, p. 316: squared fir needs half the time of squared oak).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from honesty import (
    climates,
    meters,
    physics_bound,
    physics_front,
    physics_potential,
    physics_rings,
    physics_two_phase,
)
from honesty.climates import DAY_S, Climate
from honesty.meters import Meter

PHYSICS = {
    "bound": physics_bound,
    "two phase": physics_two_phase,
    "front": physics_front,
    "potential": physics_potential,
    "rings": physics_rings,
}
USUAL = ("bound", "two phase", "front", "potential")
SECOND_FROM = 1000  # numbers from here on are the second kept-out set: its own physics or its own meter
LEVEL_SD = 0.47  # of ln D between timbers: a factor of 1.6 each way
FIRST_S = 1_420_113_600.0  # 1 January 2015, 12:00 UTC
FINISHED_MM = 152.0


@dataclass(frozen=True, kw_only=True)
class Kind:
    """A wood."""

    name: str
    softwood: bool
    heart_pct: float
    sap_pct: float
    radial_pct: float
    tangential_pct: float
    basic_kg_m3: float
    speed: float
    fsp_pct: float
    elastic: tuple[float, float, float, float]  # E_R, E_T, G_RT over E_L, and nu_RT


KINDS = (
    Kind(name="white oak", softwood=False, heart_pct=64, sap_pct=78, radial_pct=5.6, tangential_pct=10.5,
         basic_kg_m3=600, speed=0.8, fsp_pct=29, elastic=(0.163, 0.072, 0.02, 0.618)),
    Kind(name="Douglas-fir", softwood=True, heart_pct=37, sap_pct=115, radial_pct=4.8, tangential_pct=7.6,
         basic_kg_m3=450, speed=2.0, fsp_pct=28, elastic=(0.068, 0.050, 0.007, 0.390)),
    Kind(name="northern red oak", softwood=False, heart_pct=80, sap_pct=69, radial_pct=4.0,
         tangential_pct=8.6, basic_kg_m3=560, speed=1.0, fsp_pct=29, elastic=(0.154, 0.082, 0.02, 0.560)),
    Kind(name="western larch", softwood=True, heart_pct=54, sap_pct=119, radial_pct=4.5, tangential_pct=9.1,
         basic_kg_m3=480, speed=2.0, fsp_pct=28, elastic=(0.079, 0.065, 0.007, 0.389)),
)  # fmt: skip
USES = {  # mean service moisture, its reach either way, tolerated movement of a 152 mm piece
    "backbone-above-water": (16, 22, 2.5 * FINISHED_MM / 150),
    "frame-under-cover": (12, 20, 3.0 * FINISHED_MM / 150),
    "frame-outdoors": (16, 24, 4.0 * FINISHED_MM / 150),
}
METERS = ("smooth", "capped", "logarithmic", "smooth", "levelling")
SECOND_METER = "set wrong"


@dataclass(frozen=True, kw_only=True)
class Piece:
    """One timber: what is told, and what is true of it."""

    number: int
    kind: Kind
    physics: str
    law: object
    level: float
    climate: Climate
    width_mm: float
    depth_mm: float
    pith_mm: tuple[float, float]
    length_mm: float
    use: str
    arrived_s: float
    dried_days: int  # that it had lain elsewhere, in the same air, before it was entered
    ends_sealed: bool
    heart_pct: float
    sap_pct: float
    heart_mm: float  # radius of the heartwood
    section_error_pct: float | None  # of an oven-dried section cut on arrival; None when none was cut
    told_green_pct: float | None  # what it said, known once the truth is
    conductance_m_s: float
    faces: tuple[float, float, float, float]  # factors of a, b, c, d
    season: float  # of the surface: share by which it is quicker in summer
    emc_offset_pct: float
    end_ratio: float  # along the grain over the level across
    density_factor: float
    shrinkage_factor: float
    fsp_pct: float
    service_share: float  # 0 driest, 1 wettest end of the use's range
    meter: Meter
    pins_mm: tuple[float, float]
    pin_faces: tuple[str, ...]
    pin_days: int
    weighed: bool
    gaps: int

    @property
    def tag(self):
        return f"HON-{self.number:03d}"

    @property
    def boxed(self):
        return abs(self.pith_mm[0]) < FINISHED_MM / 2 and abs(self.pith_mm[1]) < FINISHED_MM / 2

    @property
    def service_pct(self):
        low, high, _ = USES[self.use]
        return low + (high - low) * self.service_share

    @property
    def tolerance_mm(self):
        return USES[self.use][2]


def physics_of(number, *, second=True):
    """Of the second kept-out set two in three have its own physics; none has without that set."""
    if second and number >= SECOND_FROM and number % 3 != 0:
        return "rings"
    return USUAL[number % len(USUAL)]


def meter_of(number, *, second=True):
    """Of the second kept-out set two in three have its own meter; none has without that set."""
    if second and number >= SECOND_FROM and number % 3 != 1:
        return SECOND_METER
    return METERS[number % len(METERS)]


def piece(number, *, second=True):
    """Draw one timber; without the `second` set as if its numbers were like all others."""
    rng = np.random.default_rng([13, number])
    physics = physics_of(number, second=second)
    kind = KINDS[(number // 4 + number // 16) % len(KINDS)]
    fsp = kind.fsp_pct + float(rng.normal(0, 2))
    own = Kind(
        **{
            **{name: getattr(kind, name) for name in Kind.__dataclass_fields__},
            "fsp_pct": fsp,
        }
    )
    law = PHYSICS[physics].draw(rng, own)
    width, depth = (float(rng.uniform(178, 205)) for _ in range(2))
    if rng.random() < 0.3:  # boxed heart
        pith = (float(rng.normal(0, 15)), float(rng.normal(0, 15)))
    else:
        away = float(rng.uniform(0.62, 1.4)) * depth
        pith = (float(rng.normal(0, 40)), -away) if rng.random() < 0.5 else (-away, float(rng.normal(0, 40)))
    heart = float(kind.heart_pct * np.exp(rng.normal(0, 0.12)))
    corners = [
        np.hypot(x - pith[0], y - pith[1]) for x in (-width / 2, width / 2) for y in (-depth / 2, depth / 2)
    ]
    sap_share = float(rng.uniform(0.8, 1.0)) if kind.softwood else float(rng.uniform(0.93, 1.1))
    shallow = min(width, depth) * float(rng.uniform(0.11, 0.14))
    deep = min(width, depth) * float(rng.uniform(0.22, 0.27))
    faces = rng.permutation(["a", "b", "d"])[: 1 + (rng.random() < 0.4)]
    factors = np.exp(rng.normal(0, 0.3, 4))
    factors[2] *= rng.uniform(0.15, 0.6)  # on bearers
    return Piece(
        number=number,
        kind=kind,
        physics=physics,
        law=law,
        level=float(np.exp(rng.normal(0, LEVEL_SD))) * kind.speed,
        climate=climates.CLIMATES[int(rng.integers(len(climates.CLIMATES)))],
        width_mm=width,
        depth_mm=depth,
        pith_mm=pith,
        length_mm=float(rng.uniform(2400, 4000)),
        use=tuple(USES)[int(rng.integers(len(USES)))],
        arrived_s=FIRST_S + DAY_S * float(rng.integers(0, 730)),
        dried_days=int(rng.integers(30, 120)) if rng.random() < 0.1 else 0,
        ends_sealed=bool(rng.random() < 0.5),
        heart_pct=heart,
        sap_pct=float(kind.sap_pct * np.exp(rng.normal(0, 0.12))),
        heart_mm=sap_share * float(max(corners)),
        section_error_pct=float(rng.normal(0, 3)) if rng.random() < 0.15 else None,
        told_green_pct=None,
        conductance_m_s=6e-8 * float(np.exp(rng.normal(0, 0.5))),
        faces=tuple(factors.tolist()),
        season=float(rng.uniform(0.0, 0.4)),
        emc_offset_pct=float(rng.normal(0, 0.8)),
        end_ratio=float(np.exp(rng.uniform(np.log(5), np.log(25)))),
        density_factor=float(np.exp(rng.normal(0, 0.08))),
        shrinkage_factor=float(np.exp(rng.normal(0, 0.14))),
        fsp_pct=fsp,
        service_share=float(rng.uniform(0.25, 0.75)),
        meter=meters.draw(rng, meter_of(number, second=second), fsp),
        pins_mm=(round(shallow), round(deep)),
        pin_faces=tuple(sorted(faces.tolist())),
        pin_days=int(rng.choice([14, 21, 28])),
        weighed=bool(rng.random() < 0.5),
        gaps=int(rng.integers(1, 4)),
    )  # fmt: skip
