"""A timber's thinned ensemble, kept beside the store, so that a what-if need not fit it anew.

It is taken up again for half a day while nothing is known of the timber that was not known then; the air of
those hours changes no plan by weeks.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from typing import Any, Final

import numpy as np

from baulk.ingest.evaluation import compute, fingerprint, fit_store
from baulk.ingest.evaluation.inputs import Inputs
from baulk.ingest.shop import Shop
from baulk.models import packing
from baulk.models.constants import Floats
from baulk.models.creep import Strained
from baulk.models.diffusion import law_for
from baulk.models.drying.outer_layers import OuterLayers
from baulk.models.drying.solver import Members
from baulk.models.face_cover import FaceCover
from baulk.models.field import MoistureField
from baulk.models.plan.humidity import timbers
from baulk.models.plan.humidity.timbers import Stock
from baulk.models.section import Face
from baulk.models.surface.course import Surface

FRESH_S: Final = 12 * 3600.0
_MEMBERS: Final = tuple(each.name for each in fields(Members))
_STRAINED: Final = tuple(each.name for each in fields(Strained))
_EXACT: Final = frozenset({"x_edges", "y_edges", "outer_edges", *_MEMBERS})


def of(shop: Shop, inputs: Inputs) -> tuple[Stock, bool]:
    """Give a timber as a plan sees it.

    Parameters
    ----------
    shop : Shop
        Where it is kept.
    inputs : Inputs
        What is known of the timber.

    Returns
    -------
    stock : Stock
        As one to be dried; the caller sets its part.
    enough : bool
        Whether its own readings speak.
    """
    key, seen = f"plan-stock/{inputs.timber.tag}", _seen(inputs)
    kept = shop.store.noted(key)
    if kept is not None:
        found = _read(kept, inputs, seen)
        if found is not None:
            return found
    fitted = compute.fitted_to(inputs, fit_store.taken_up(inputs))  # the verdict's own fit, gone on with
    made = timbers.stock(
        inputs.timber,
        inputs.wood,
        inputs.use,
        fitted,
        law=law_for(inputs.wood),
        part="dry",
        wanted=inputs.wish.probability,
        build_days=inputs.wish.build_days,
        air_past=inputs.air_past(),
        events=inputs.events,
        gaps=inputs.air_gaps(),
    )
    shop.store.note(key, _write(made, seen, enough=fitted.enough))
    return made, fitted.enough


def _seen(inputs: Inputs) -> str:
    """Fingerprint of what is known of the timber, without the air."""
    return fingerprint.of(
        inputs.timber,
        inputs.wood,
        inputs.use,
        inputs.wish,
        inputs.known.digests(),
        fingerprint.events(inputs.events),
    )


def _write(made: Stock, seen: str, *, enough: bool) -> bytes:
    members = {name: each for name in _MEMBERS if (each := getattr(made.members, name)) is not None}
    start, skin = made.start, made.skin
    fields_of = {"x_edges": start.x_edges_mm, "y_edges": start.y_edges_mm, "mc": start.mc_pct}
    plain = {
        "seen": seen,
        "posix_s": start.posix_s,
        "enough": enough,
        "stood_pct": made.stood_pct if np.isfinite(made.stood_pct) else None,
        "covers": None
        if skin.covers is None
        else {face.value: each.value for face, each in skin.covers.items()},
    }
    surface = {name: getattr(skin.strained, name) for name in _STRAINED}
    surface |= {"outer_edges": skin.layers.edges_mm, "outer": skin.layers.mc_pct}
    surface |= {"wanted": skin.wanted_pct, "tension": skin.tension_pct}
    return packing.pack(plain, {**fields_of, **members, **surface}, exact=_EXACT)


def _read(kept: bytes, inputs: Inputs, seen: str) -> tuple[Stock, bool] | None:
    """Read a kept one back, unless it is old, or something else is known by now."""
    try:
        plain, arrays = packing.unpack(kept)
        if plain["seen"] != seen or not 0 <= inputs.now_s - plain["posix_s"] <= FRESH_S:
            return None
        members = Members(**{name: arrays.get(name) for name in _MEMBERS})  # type: ignore[arg-type]
        start = MoistureField(
            posix_s=plain["posix_s"],
            section=inputs.timber.section,
            x_edges_mm=arrays["x_edges"],
            y_edges_mm=arrays["y_edges"],
            mc_pct=arrays["mc"],
        )
        surface = _surface(plain, arrays, members, inputs)
        enough = bool(plain["enough"])
    except (ValueError, KeyError, TypeError):  # written by another version: fit anew
        return None
    made = Stock(
        timber=inputs.timber,
        species=inputs.wood,
        use=inputs.use,
        law=law_for(inputs.wood),
        start=start,
        members=members,
        part="dry",
        wanted=inputs.wish.probability,
        build_days=inputs.wish.build_days,
        surface=surface,
    )
    return made, enough


def _surface(
    plain: Mapping[str, Any], arrays: Mapping[str, Floats], members: Members, inputs: Inputs
) -> Surface:
    covers = plain["covers"]
    return Surface(
        layers=OuterLayers(
            posix_s=plain["posix_s"],
            section=inputs.timber.section,
            edges_mm=arrays["outer_edges"],
            mc_pct=arrays["outer"],
        ),
        strained=Strained(**{name: arrays[name] for name in _STRAINED}),
        members=members,
        law=law_for(inputs.wood),
        covers=None if covers is None else {Face(face): FaceCover(each) for face, each in covers.items()},
        wanted_pct=arrays["wanted"],
        tension_pct=arrays["tension"],
        stood_pct=float("inf") if plain["stood_pct"] is None else float(plain["stood_pct"]),
    )
