"""An invented shed, its timbers and what a meter would read in them; used by the tests of fit and verdict."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np

from baulk.models import diffusion, species
from baulk.models.air import AirSeries
from baulk.models.drying import solver
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import Reading, Series
from baulk.models.section import Face, Finished, Section
from baulk.models.timber import Timber

NOW = datetime(2026, 3, 1, 12, tzinfo=UTC)
DAY_S = 86_400.0


def codes(reasons):
    return [each.code for each in reasons]


def told(reasons, code):
    """Values of the one reason with a code."""
    (found,) = [each.values for each in reasons if each.code == code]
    return found


def shed(first, days):
    at_s = first.timestamp() + np.arange(0, days * DAY_S + 1, DAY_S / 4)
    turn = 2 * np.pi * (at_s / DAY_S % 365.25 - 15) / 365.25
    return AirSeries(posix_s=at_s, temp_c=14 - 10 * np.cos(turn), rh_pct=68 + 6 * np.cos(turn))


def timber(days=300, *, wood="white oak", side=120.0, finished=90.0, use="frame-under-cover", **more):
    more.setdefault("section", Section(width_mm=side, depth_mm=side, pith_x_mm=-side))
    return Timber(
        tag="FER-07",
        species=wood,
        length_mm=2400,
        finished=Finished(width_mm=finished, depth_mm=finished),
        use_class=use,
        place="shed",
        arrived_utc=NOW - timedelta(days=days),
        **more,
    )


def law(piece):
    return diffusion.law_for(species.get(piece.species))


def truth(piece, air, at_s, *, d_factor=0.7, start=70.0):
    one = np.ones(1)
    members = solver.Members(
        d_factor=d_factor * one, surface_factor=1.2 * one, start_mc_pct=start * one, emc_offset_pct=0.5 * one
    )
    return solver.dry(
        piece.section, None, air, law(piece), start_posix_s=piece.arrived_utc.timestamp(), at_posix_s=at_s,
        members=members,
    )  # fmt: skip


def reading(piece, posix_s, value, *, depth_mm=None, quantity=Quantity.MOISTURE, face=Face.B):
    when = datetime.fromtimestamp(posix_s, UTC)
    series = Series(
        owner=Owner.TIMBER,
        name=piece.tag,
        quantity=quantity,
        depth_mm=depth_mm,
        face=face if depth_mm else None,
    )
    return Reading(series=series, value=float(value), taken_utc=when, arrived_utc=when)


def shown(mc_pct, *, fsp_pct=29.0, wet_slope=0.2):
    """What a meter that saturates shows: one to one up to saturation, a fifth of it above, with a corner."""
    return np.minimum(mc_pct, fsp_pct) + wet_slope * np.maximum(mc_pct - fsp_pct, 0.0)


def pins(piece, fields, *, depths=(12.0, 25.0), bias=1.0, sd=1.0, seed=2):
    rng = np.random.default_rng(seed)
    found = []
    for field in fields:
        for depth in depths:
            true = float(field.pin_pct(depth, Face.B)[0])
            scatter = rng.normal(0, sd) * (1.0 if true < 29 else 2.0)
            found.append(reading(piece, field.posix_s, max(shown(true) + bias + scatter, 5), depth_mm=depth))
    return found


def weights(piece, fields, *, dry_kg=None, sd=0.003, seed=5):
    rng = np.random.default_rng(seed)
    if dry_kg is None:  # as heavy as its species usually is
        section = piece.section
        volume_m3 = section.width_mm * section.depth_mm * piece.length_mm / 1e9
        dry_kg = species.get(piece.species).basic_density_kg_m3 * volume_m3
    return [
        reading(
            piece,
            field.posix_s,
            dry_kg * (1 + float(field.mean_pct[0]) / 100) * (1 + rng.normal(0, sd)),
            quantity=Quantity.WEIGHT,
        )
        for field in fields
    ]
