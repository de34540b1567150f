"""What a fit gives: the ensemble after it, readings beside it, and the course so far; as bytes and back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, fields
from typing import Any, Final

import numpy as np

from baulk.models import packing
from baulk.models.calibrate import parameters
from baulk.models.calibrate.contradiction import Contradiction, contradiction
from baulk.models.calibrate.measured_form import SizeSeen
from baulk.models.constants import Floats
from baulk.models.drying import solver
from baulk.models.errors import OutOfRange
from baulk.models.face_cover import Covers, FaceCover
from baulk.models.field import MoistureField, pins_over
from baulk.models.reason import Reason
from baulk.models.section import Face, Kerf, Section

FEWEST: Final = 3
FORMAT: Final = 5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fitted:
    """One reading beside what the fit makes of it.

    Parameters
    ----------
    posix_s : float
        When it was taken. [s]
    series : str
        Its series.
    measured_pct, model_pct, sd_pct : float
        Moisture content read, median of the fit at the same place, and the reading's error. [%]
    at_least : bool
        Whether the reading only says "at least".
    left_out : Reason or None
        Why it was set aside.
    depth_mm : float, optional
        Depth of the pins. [mm]
    kg : float, optional
        Weight, net of its tare. [kg]
    """

    posix_s: float
    series: str
    measured_pct: float
    model_pct: float
    sd_pct: float
    at_least: bool
    left_out: Reason | None
    depth_mm: float | None = None
    kg: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Anchor:
    """First weight of the series that is still open: what further weights are told against.

    Parameters
    ----------
    posix_s, kg : float
        When and what. [s, kg]
    segment : int
        The series.
    start_pct : float
        Moisture content it is told from. [%]
    mean_pct : ndarray, shape (m,)
        Mean of the section then, every member. [%]
    """

    posix_s: float
    kg: float
    segment: int
    start_pct: float
    mean_pct: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Calibration:
    """What a timber's readings say about it.

    Parameters
    ----------
    members : drying.Members
        The ensemble after the fit.
    meter_bias_pct : ndarray, shape (m,)
        What the meter adds to the truth. [%]
    used : int
        Readings (one a series and day) that took part and were not set aside.
    left_out : tuple of Reason
        What was set aside and why.
    field_now : MoistureField
        Moisture now, every member. [%]
    readings : tuple of Fitted
        Readings beside the fit.
    history_posix_s : ndarray, shape (t,)
        Moments of the history. [s]
    history_mean_pct, history_core_pct : ndarray, shape (t, m)
        Section mean and core since arrival. [%]
    weighed : bool
        Whether at least one usable weight exists, so that a further one would tell something.
    notes : tuple of Reason
        What else is to be known of the fit: gaps, cuts, what the readings can't tell.
    theta : ndarray, shape (22, m)
        All that was fitted, a row for each of `baulk.models.calibrate.parameters.PARAMETERS`.
    depths_mm : ndarray, shape (k,)
        Depths of `history_depth_pct`. [mm]
    history_depth_pct : ndarray, shape (t, k)
        Median at these depths below the middle of a face, mean of the four. [%]
    anchor : Anchor or None
        For weights still to come.
    updates : int
        Readings taken in by `calibrate.update` since the last whole fit.
    fitted_posix_s : float
        When the last whole fit was made. [s]
    seen : str
        Stands for everything that this rests on: timber, events, meters and readings.
    covers : mapping or None
        What lies on its faces now, as `baulk.models.drying.solver.dry` takes it; None where all are bare.
    stepped_posix_s : float or None
        First moment at which all series read something else for good; what came since is set aside. [s]
    suspected : tuple of str
        Series of pins that are left out because they drift or are in other wood, or two of which one does.
    contradiction : Contradiction or None
        What scale and pins say where they cannot both be right; half of the members are then of each.
    sizes : tuple of SizeSeen
        Measured widths and depths beside what was foreseen of them. [mm]
    why_whole : Reason or None
        Why `calibrate.update` made a whole fit instead, where it did.
    """

    members: solver.Members
    meter_bias_pct: Floats
    used: int
    left_out: tuple[Reason, ...]
    field_now: MoistureField
    readings: tuple[Fitted, ...]
    history_posix_s: Floats
    history_mean_pct: Floats
    history_core_pct: Floats
    weighed: bool
    notes: tuple[Reason, ...]
    theta: Floats
    depths_mm: Floats
    history_depth_pct: Floats
    anchor: Anchor | None = None
    updates: int = 0
    fitted_posix_s: float = 0.0
    seen: str = ""
    covers: Covers | None = None
    stepped_posix_s: float | None = None
    suspected: tuple[str, ...] = ()
    contradiction: Contradiction | None = None
    sizes: tuple[SizeSeen, ...] = ()
    why_whole: Reason | None = None

    @property
    def enough(self) -> bool:
        """Whether the readings, not only the species' prior, speak."""
        return self.used >= FEWEST

    @property
    def whole(self) -> bool:
        """Whether it was fitted from the arrival, not gone on with."""
        return self.field_now.posix_s == self.fitted_posix_s

    def state(self) -> bytes:
        """Return everything as bytes for a store; `calibrate.resume` reads them back."""
        field, section = self.field_now, self.field_now.section
        arrays = {
            "theta": self.theta,
            "mc": field.mc_pct,
            "x": field.x_edges_mm,
            "y": field.y_edges_mm,
            "at": self.history_posix_s,
            "mean": self.history_mean_pct,
            "core": self.history_core_pct,
            "depths": self.depths_mm,
            "deep": self.history_depth_pct,
            "anchor": np.zeros(0) if self.anchor is None else self.anchor.mean_pct,
        }
        plain = {
            "format": FORMAT,
            "now": field.posix_s,
            "section": [section.width_mm, section.depth_mm, section.pith_x_mm, section.pith_y_mm],
            "kerf": section.kerf and asdict(section.kerf),
            "anchor": self.anchor
            and [self.anchor.posix_s, self.anchor.kg, self.anchor.segment, self.anchor.start_pct],
            "covers": None if self.covers is None else {str(k): str(v) for k, v in self.covers.items()},
            "readings": [_row(one) for one in self.readings],
            "left_out": [each.to_json() for each in self.left_out],
            "notes": [each.to_json() for each in self.notes],
            "why_whole": self.why_whole and self.why_whole.to_json(),
            "contradiction": self.contradiction and asdict(self.contradiction),
            "sizes": [asdict(each) for each in self.sizes],
            **{name: getattr(self, name) for name in _PLAIN},
        }
        return packing.pack(plain, arrays, exact=_EXACT)


_PLAIN: Final = (
    "used", "weighed", "updates", "fitted_posix_s", "seen", "stepped_posix_s", "suspected",
)  # fmt: skip
_EXACT: Final = frozenset({"x", "y", "at", "theta"})  # the rest is rounded to a few parts in ten million


def resume(state: bytes, tag: str | None = None) -> Calibration:
    """Read back what `Calibration.state` wrote.

    Parameters
    ----------
    state : bytes
        As written.
    tag : str, optional
        What the timber is called now; its series are named by it. As they were if left out.

    Returns
    -------
    Calibration
        The same, its fields and course to a few parts in ten million.

    Raises
    ------
    OutOfRange
        If it is damaged or of another version; make a whole fit then.
    """
    try:
        plain, arrays = packing.unpack(state)
        if plain["format"] != FORMAT:
            raise OutOfRange("the stored fit", "is of another version of the program; fit it anew")
        if tag is not None and plain["readings"]:
            old = _fitted(plain["readings"][0]).series.split("/")
            plain = _renamed(plain, "/".join(old[:2]), f"{old[0]}/{tag}")
        theta, anchor = arrays["theta"], plain["anchor"]
        width, depth, pith_x, pith_y = plain["section"]
        kerf = plain.get("kerf")
        kept = {name: plain[name] for name in _PLAIN}
        kept["suspected"] = tuple(kept["suspected"])
        return Calibration(
            members=parameters.members(theta),
            meter_bias_pct=theta[parameters.BIAS],
            field_now=MoistureField(
                posix_s=plain["now"],
                section=Section(
                    width_mm=width,
                    depth_mm=depth,
                    pith_x_mm=pith_x,
                    pith_y_mm=pith_y,
                    kerf=kerf and Kerf(**{**kerf, "face": Face(kerf["face"])}),
                ),
                x_edges_mm=arrays["x"],
                y_edges_mm=arrays["y"],
                mc_pct=arrays["mc"],
                potential=parameters.potential(theta),
            ),
            readings=tuple(_fitted(each) for each in plain["readings"]),
            left_out=tuple(Reason.from_json(each) for each in plain["left_out"]),
            notes=tuple(Reason.from_json(each) for each in plain["notes"]),
            why_whole=plain["why_whole"] and Reason.from_json(plain["why_whole"]),
            covers=plain["covers"]
            and {Face(face): FaceCover(cover) for face, cover in plain["covers"].items()},
            history_posix_s=arrays["at"],
            history_mean_pct=arrays["mean"],
            history_core_pct=arrays["core"],
            theta=theta,
            depths_mm=arrays["depths"],
            history_depth_pct=arrays["deep"],
            contradiction=plain["contradiction"] and contradiction(plain["contradiction"]),
            sizes=tuple(SizeSeen(**each) for each in plain["sizes"]),
            anchor=anchor
            and Anchor(
                posix_s=anchor[0],
                kg=anchor[1],
                segment=anchor[2],
                start_pct=anchor[3],
                mean_pct=arrays["anchor"],
            ),
            **kept,
        )
    except (KeyError, TypeError, ValueError) as err:
        if isinstance(err, OutOfRange):
            raise
        raise OutOfRange("the stored fit", "can't be read back; fit it anew") from err


def _renamed(plain: Any, old: str, new: str) -> Any:  # noqa: ANN401 - whatever JSON holds
    """Return it with every series of a timber under another tag."""
    if isinstance(plain, dict):
        return {key: _renamed(each, old, new) for key, each in plain.items()}
    if isinstance(plain, list):
        return [_renamed(each, old, new) for each in plain]
    if isinstance(plain, str) and plain.startswith(f"{old}/"):
        return new + plain[len(old) :]
    return plain


def _row(one: Fitted) -> list[Any]:
    row = {each.name: getattr(one, each.name) for each in fields(one)}
    return list({**row, "left_out": one.left_out and one.left_out.to_json()}.values())


def _fitted(row: list[Any]) -> Fitted:
    kept = dict(zip((each.name for each in fields(Fitted)), row, strict=True))
    return Fitted(**{**kept, "left_out": kept["left_out"] and Reason.from_json(kept["left_out"])})


def depth_profiles_pct(fields: Sequence[MoistureField], depths_mm: Floats) -> Floats:
    """Compute the median over the members at depths below mid-face, mean of the four faces.

    Parameters
    ----------
    fields : sequence of MoistureField
        Every member at some moments. [%]
    depths_mm : ndarray, shape (k,)
        Depths, up to half of the smaller side. [mm]

    Returns
    -------
    ndarray, shape (t, k)
        Moisture content. [%]
    """
    if not fields:
        return np.empty((0, depths_mm.size))
    found = pins_over(fields, depths_mm)
    return np.asarray(np.median(found.reshape(len(fields), depths_mm.size, -1), axis=-1))
