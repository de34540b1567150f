"""What one fit has to teach the yard, in short: written beside the evaluation, read once a day."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any, Final

import numpy as np

from baulk.ingest.evaluation.inputs import Inputs, Stay
from baulk.models.calibrate import yard_lessons
from baulk.models.calibrate.calibration import Calibration
from baulk.models.diffusion import law_for
from baulk.models.errors import OutOfRange
from baulk.models.known_readings import KnownReadings
from baulk.models.meter.profile import Corrections
from baulk.models.timber import Timber
from baulk.models.yard.estimates import Posterior, own
from baulk.models.yard.kinship import JOINT_PARAMETERS, Origin, Taught

_FORMAT: Final = 2
_ARRAYS: Final = ("mean", "cov", "prior_mean", "prior_cov", "default_mean", "default_sd")


def origin_of(
    timber: Timber, known: KnownReadings, stays: Sequence[Stay], corrections: Corrections
) -> Origin:
    """Tell where a timber comes from, where it lay and what reads it.

    Parameters
    ----------
    timber : Timber
        The timber.
    known : KnownReadings
        Its readings.
    stays : sequence of Stay
        Where it lay, oldest first.
    corrections : sequence of MeterSetting
        The shop's meters.

    Returns
    -------
    Origin
        For `baulk.models.yard.kinship`.
    """
    places = {each.place for each in stays}
    return Origin(
        tag=timber.tag,
        species=timber.species,
        arrived_utc=timber.arrived_utc,
        arrived_at=stays[0].place,
        place=stays[0].place if len(places) == 1 else None,
        meter=yard_lessons.meter_of(known.kinds(), corrections),
    )


def found(inputs: Inputs, fitted: Calibration) -> bytes | None:
    """Put in short what a fit found, for the yard.

    Parameters
    ----------
    inputs : Inputs
        What it was made from.
    fitted : Calibration
        The fit.

    Returns
    -------
    bytes or None
        About a kilobyte; None for a fit that only goes on from an earlier one, or with too few readings.
    """
    if not fitted.whole or not fitted.enough:
        return None
    law = law_for(inputs.wood)
    after = yard_lessons.posterior(fitted.theta, inputs.timber, inputs.wood, law, inputs.yard)
    origin = origin_of(inputs.timber, inputs.known, inputs.stays, inputs.wish.meters)
    body = {
        "format": _FORMAT,
        "fitted_utc": inputs.now_utc.astimezone(UTC).isoformat(),
        "origin": origin_out(origin),
        "names": list(after.names),
        **{name: getattr(after, name).round(9).tolist() for name in _ARRAYS},
        "members": after.members,
    }
    return json.dumps(body, separators=(",", ":")).encode()


def taught(tag: str, note: bytes) -> tuple[datetime, Taught] | None:
    """Read back what `found` wrote, as what the readings alone say.

    Parameters
    ----------
    tag : str
        Which timber.
    note : bytes
        As written.

    Returns
    -------
    tuple of datetime and Taught, or None
        When it was fitted, and what it teaches; None where another version wrote it.
    """
    try:
        body = json.loads(note)
        if body["format"] != _FORMAT:
            return None
        after = Posterior(
            names=tuple(body["names"]),
            members=int(body["members"]),
            **{name: np.array(body[name], dtype=np.float64) for name in _ARRAYS},
        )
        origin = origin_in(tag, body["origin"])
        return datetime.fromisoformat(body["fitted_utc"]), Taught(
            timber=origin, own=own(after, JOINT_PARAMETERS)
        )
    except (
        KeyError,
        TypeError,
        ValueError,
        OutOfRange,
        np.linalg.LinAlgError,
    ):  # another version's: its next fit writes it anew
        return None


def origin_out(origin: Origin) -> dict[str, Any]:
    """Give an origin as JSON, without its tag."""
    return {
        "species": origin.species,
        "arrived_utc": origin.arrived_utc.astimezone(UTC).isoformat(),
        "arrived_at": origin.arrived_at,
        "place": origin.place,
        "meter": origin.meter,
    }


def origin_in(tag: str, row: Mapping[str, Any]) -> Origin:
    """Read back what `origin_out` gave."""
    return Origin(
        tag=tag,
        species=row["species"],
        arrived_utc=datetime.fromisoformat(row["arrived_utc"]),
        arrived_at=row["arrived_at"],
        place=row["place"],
        meter=row["meter"],
    )
