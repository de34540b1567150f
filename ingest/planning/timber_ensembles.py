"""A timber's thinned ensemble, kept beside the store, so that a what-if need not fit it anew.

It is taken up again for half a day while nothing is known of the timber that was not known then; the air of
those hours changes no plan by weeks.
"""

from __future__ import annotations

import json
from dataclasses import fields
from typing import Any, Final

import numpy as np

from baulk.ingest.evaluation import compute, fingerprint
from baulk.ingest.evaluation.inputs import Inputs
from baulk.ingest.shop import Shop
from baulk.models.diffusion import law_for
from baulk.models.drying.solver import Members
from baulk.models.field import MoistureField
from baulk.models.plan.humidity import timbers
from baulk.models.plan.humidity.timbers import Stock

FRESH_S: Final = 12 * 3600.0
_MEMBERS: Final = tuple(each.name for each in fields(Members))


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
    fitted = compute.fitted_to(inputs)
    made = timbers.stock(
        inputs.timber,
        inputs.wood,
        inputs.use,
        fitted,
        law=law_for(inputs.wood),
        part="dry",
        wanted=inputs.wish.probability,
        build_days=inputs.wish.build_days,
        system=inputs.wish.units,
        air_past=inputs.air_past(),
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
        fingerprint.readings(inputs.readings),
        fingerprint.events(inputs.events),
    )


def _write(made: Stock, seen: str, *, enough: bool) -> bytes:
    members = {
        name: None if (values := getattr(made.members, name)) is None else np.round(values, 6).tolist()
        for name in _MEMBERS
    }
    body = {
        "seen": seen,
        "posix_s": made.start.posix_s,
        "enough": enough,
        "stood_pct": made.stood_pct if np.isfinite(made.stood_pct) else None,
        "x_edges_mm": made.start.x_edges_mm.tolist(),
        "y_edges_mm": made.start.y_edges_mm.tolist(),
        "mc_pct": np.round(made.start.mc_pct, 3).tolist(),
        "members": members,
    }
    return json.dumps(body, separators=(",", ":")).encode()


def _read(kept: bytes, inputs: Inputs, seen: str) -> tuple[Stock, bool] | None:
    """Read a kept one back, unless it is old, or something else is known by now."""
    try:
        body: dict[str, Any] = json.loads(kept)
        if body["seen"] != seen or not 0 <= inputs.now_s - body["posix_s"] <= FRESH_S:
            return None
        members = Members(
            **{
                name: None if (values := body["members"][name]) is None else np.array(values)
                for name in _MEMBERS
            }  # type: ignore[arg-type]
        )
        start = MoistureField(
            posix_s=body["posix_s"],
            section=inputs.timber.section,
            x_edges_mm=np.array(body["x_edges_mm"]),
            y_edges_mm=np.array(body["y_edges_mm"]),
            mc_pct=np.array(body["mc_pct"]),
        )
        stood = float("inf") if body["stood_pct"] is None else float(body["stood_pct"])
        enough = bool(body["enough"])
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
        system=inputs.wish.units,
        stood_pct=stood,
    )
    return made, enough
