"""The last fit of a timber, kept beside its evaluation so that a new reading need not fit it anew.

What is kept is only taken up again on the ground that it was made on: the same program, species, settings and
air; `baulk.models.calibrate.calibration.update` looks at the timber, its events and its earlier readings
itself. On any doubt the whole fit is made, so what is kept can be lost or damaged without harm.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Final

from baulk.ingest.evaluation import fingerprint
from baulk.ingest.evaluation.inputs import Inputs, up_to
from baulk.models.calibrate import calibration
from baulk.models.calibrate.calibration import Calibration
from baulk.models.columns import PART_S
from baulk.models.errors import OutOfRange

_DIGITS: Final = 32  # of the ground, in front
_MOMENT: Final = 16  # and of the moment of the fit, hexadecimal microseconds
_PAIRED_S: Final = 3600.0  # by then a temperature has the humidity that is taken nearest to it


def taken_up(inputs: Inputs) -> Calibration | None:
    """Give the fit that came with the inputs, if it still stands on the same ground.

    Parameters
    ----------
    inputs : Inputs
        Everything that is known, with the fit before.

    Returns
    -------
    Calibration or None
        None where a whole fit is to be made.
    """
    if inputs.fit is None:
        return None
    try:
        before = calibration.resume(inputs.fit[_DIGITS + _MOMENT :], inputs.timber.tag)
    except OutOfRange:
        return None
    ground = _ground(inputs, before.field_now.posix_s)
    return before if inputs.fit[:_DIGITS] == ground.encode() else None


def to_keep(inputs: Inputs, before: Calibration | None, fitted: Calibration) -> bytes | None:
    """Give what is to be kept of a fit; nothing where it only let the last one dry on.

    Parameters
    ----------
    inputs : Inputs
        What it was made from.
    before : Calibration or None
        What it went on from.
    fitted : Calibration
        The fit.

    Returns
    -------
    bytes or None
        About a hundred kilobytes.
    """
    if before is not None and not fitted.whole and fitted.updates == before.updates:
        return None
    then_s = fitted.field_now.posix_s
    return f"{_ground(inputs, then_s)}{int(then_s * 1e6):0{_MOMENT}x}".encode() + fitted.state()


def loose_of(fit: bytes | None) -> tuple[datetime, datetime] | None:
    """Give the quarter of a day in which a fit ended, of which readings are wanted as they came.

    Parameters
    ----------
    fit : bytes or None
        As `to_keep` gave it.

    Returns
    -------
    tuple of datetime, or None
        From and before when; None without a fit, and for one that another version kept.
    """
    try:
        then_s = int((fit or b"")[_DIGITS : _DIGITS + _MOMENT], 16) / 1e6
        begin = datetime.fromtimestamp(then_s // PART_S * PART_S, UTC)
    except (ValueError, OverflowError, OSError):
        return None
    return begin, begin + timedelta(seconds=PART_S)


def _ground(inputs: Inputs, then_s: float) -> str:
    """Hash what the past of a fit was worked out with, as far as it was settled then."""
    gaps = tuple((first, min(last, then_s)) for first, last in inputs.air_gaps() if first < then_s)
    air = up_to(inputs.air_past(), then_s - _PAIRED_S)
    return fingerprint.of(inputs.wood, inputs.wish, inputs.yard, gaps, air)
