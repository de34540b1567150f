"""Whether the finished section still comes out of a timber, from its fit or before it has one.

A timber shrinks from the moment at which its size was recorded: its arrival, its last planing, or the last
time that somebody measured it. What it has lost since is worked out, not measured.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import scipy

from baulk.models import openings
from baulk.models.allowance import bend, chance, engine
from baulk.models.allowance.bend import Seen
from baulk.models.allowance.chance import ComesOut
from baulk.models.allowance.parts import Ask, Wet, finished_length_mm
from baulk.models.calibrate.calibration import Calibration
from baulk.models.constants import DAY_S, Floats
from baulk.models.distortion.movement import Movement, Shape
from baulk.models.drying import solver
from baulk.models.drying.grid import moved as laid_on
from baulk.models.reason import Reason
from baulk.models.section import Face, Section
from baulk.models.shrinkage import PIECES_VARY
from baulk.models.species import Species
from baulk.models.timber import Event, EventKind, Timber
from baulk.models.use_class import UseClass
from baulk.models.verdict.rule import service_draw
from baulk.models.wane import Wane, noted

SAME_DAY_S: Final = 1.5 * DAY_S  # in which sizes belong together; our own judgement, no source
DRAWS: Final = 1024  # members drawn for a timber that has no fit
SHRINKS_SEED: Final = 23
START_SEED: Final = 29


@dataclass(frozen=True, slots=True, kw_only=True)
class Recorded:
    """The size of a timber as it was recorded last, its curves, and what is wrong with its faces.

    Parameters
    ----------
    width_mm, depth_mm : float
        Size. [mm]
    since_s : float
        When it was that, POSIX seconds. [s]
    bow_mm, crook_mm : float or None
        Measured curves over its length; None where nobody measured. [mm]
    check_mm : float
        Measured depth of checks; 0 where none was noted. [mm]
    twist_mm : float or None
        How far the fourth corner of a face lies off the other three, over its length; None where nobody
        measured. [mm]
    checks_mm : mapping of Face to float
        Measured depth of the checks of single faces; that which opens a boxed heart is not among them. [mm]
    wane : Wane
        What is off its corners. [mm]
    """

    width_mm: float
    depth_mm: float
    since_s: float
    bow_mm: float | None = None
    crook_mm: float | None = None
    check_mm: float = 0.0
    twist_mm: float | None = None
    checks_mm: Mapping[Face, float] = field(default_factory=dict)
    wane: Wane = field(default_factory=Wane)


def recorded(timber: Timber, events: Iterable[Event]) -> Recorded:
    """Read from what happened to a timber how large it was, and when.

    Parameters
    ----------
    timber : Timber
        As it stands.
    events : iterable of Event
        Those that count, oldest first.

    Returns
    -------
    Recorded
        Its arrival's size where it was never planed or measured since. A length cut since takes curves with
        it as the square of the length, twist as the length; a planing straightens it.
    """
    section, known = timber.section, tuple(events)
    found: dict[str, float | None] = {
        "width_mm": section.width_mm,
        "depth_mm": section.depth_mm,
        "since_s": timber.arrived_utc.timestamp(),
    }
    latest: dict[str, tuple[float, float]] = {}
    for each in known:
        if each.kind is EventKind.PLANED:
            latest.clear()
            found = {
                "width_mm": section.width_mm,
                "depth_mm": section.depth_mm,
                "since_s": each.at_utc.timestamp(),
            }
        if each.kind is EventKind.MEASURED:
            over = float(each.detail.get("length_mm", timber.length_mm))
            part = {"twist_mm": min(timber.length_mm / over, 1.0)}  # an even turn; a curve goes by the square
            part["bow_mm"] = part["crook_mm"] = part["twist_mm"] ** 2
            for name in ("bow_mm", "crook_mm", "twist_mm", "check_mm"):
                if name in each.detail:
                    found[name] = float(each.detail[name]) * part.get(name, 1.0)
            _ruled(latest, each)
            if len(latest) == 2:
                found |= {name: mm for name, (mm, _) in latest.items()}
                found["since_s"] = each.at_utc.timestamp()
    return Recorded(
        **{name: value for name, value in found.items() if value is not None},
        checks_mm=openings.to_plane_off_mm(openings.seen(known), section),
        wane=noted(known),
    )


def _ruled(latest: dict[str, tuple[float, float]], event: Event) -> None:
    """Take in a width and a depth by the rule; those of one day belong together, the smaller of each counts.

    One of them alone is no size to saw from: the other has shrunk since it was known.
    """
    at_s = event.at_utc.timestamp()
    for name in ("width_mm", "depth_mm"):
        if name in latest and at_s - latest[name][1] > SAME_DAY_S:
            del latest[name]
    for name in ("width_mm", "depth_mm"):
        if name in event.detail:
            mm = float(event.detail[name])
            latest[name] = (min(mm, latest[name][0]) if name in latest else mm, at_s)


def asked(timber: Timber, wood: Species, size: Recorded, *, wanted: float, seen: Sequence[Seen] = ()) -> Ask:
    """Return what the allowance is asked for a timber's own finished piece.

    Parameters
    ----------
    timber, wood, size
        The timber, its wood, and what `recorded` found.
    wanted : float
        How sure the size must be, 0.5 to below 1. [-]
    seen : sequence of Seen
        Curves that were measured on timbers of the shop.

    Returns
    -------
    Ask
        Its own curves where they were measured, else those of its wood at its length. [mm]
    """
    finished, long_mm = timber.finished, finished_length_mm(timber.length_mm)
    other, part = bend.usual(wood, long_mm, seen), (long_mm / timber.length_mm) ** 2
    return Ask(
        width_mm=finished.width_mm,
        depth_mm=finished.depth_mm,
        bow=other if size.bow_mm is None else bend.known(size.bow_mm * part),
        crook=other if size.crook_mm is None else bend.known(size.crook_mm * part),
        confidence=wanted,
        check_mm=size.check_mm,
        twist=(size.twist_mm or 0.0) / min(size.width_mm, size.depth_mm) * long_mm / timber.length_mm,
        checks_mm=size.checks_mm,
        corners_mm=size.wane.legs_mm,
    )


def of_fit(  # noqa: PLR0913 - a timber, its ensemble, and what its size must be
    timber: Timber,
    wood: Species,
    calibration: Calibration,
    size: Recorded,
    ask: Ask,
    *,
    service_mc_pct: Floats,
) -> ComesOut:
    """Chance that a timber's finished section comes out of it, over its ensemble.

    Parameters
    ----------
    timber : Timber
        The timber.
    wood : Species
        Its wood.
    calibration : Calibration
        The ensemble now and its history. [%]
    size : Recorded
        Its size, and since when. [mm]
    ask : Ask
        From `asked`. [mm]
    service_mc_pct : ndarray, shape (m,)
        Moisture content in service of every member. [%]

    Returns
    -------
    ComesOut
        Every member's own shrinkage from the moment of the size, and a bow and crook each.
    """
    field = calibration.field_now
    shape = Shape(timber.section, wood, field.x_edges_mm, field.y_edges_mm, calibration.members)
    if size.since_s > field.posix_s - DAY_S:  # as it is now, with its gradient
        moved = shape.movement(field.mc_pct, service_mc_pct)
    else:
        then = _even_pct(shape, wood, calibration, size.since_s)
        moved = shape.movement(np.broadcast_to(then[:, None, None], field.mc_pct.shape), service_mc_pct)
    return chance.comes_out(ask, (size.width_mm, size.depth_mm), moved)


def before_a_fit(  # noqa: PLR0913 - a timber, its tables, its size and its moisture
    timber: Timber, wood: Species, use: UseClass, size: Recorded, ask: Ask, *, wet: Wet
) -> ComesOut:
    """Chance that a timber's finished section comes out of it, from what is known of its wood.

    Parameters
    ----------
    timber, wood, use
        The timber, its wood and its use.
    size : Recorded
        Its size. [mm]
    ask : Ask
        From `asked`. [mm]
    wet : Wet
        How wet it was when it had that size. [%]

    Returns
    -------
    ComesOut
        Over pieces that vary as those of its species do, in the order of no chance: the same at every call.
    """
    moved = drawn(timber.section, wood, wet, service_draw(use, DRAWS))
    return chance.comes_out(ask, (size.width_mm, size.depth_mm), moved)


def drawn(section: Section, wood: Species, wet: Wet, service_mc_pct: Floats) -> Movement:
    """Movement to service of pieces that vary as those of a species do.

    Parameters
    ----------
    section : Section
        The piece and its pith. [mm]
    wood : Species
        Its wood.
    wet : Wet
        How wet it is, over the same section where a field is given. [%]
    service_mc_pct : ndarray, shape (m,)
        Where each settles. [%]

    Returns
    -------
    Movement
        Of every one. [mm]
    """
    count = service_mc_pct.size
    members, off = shrinking_apart(count), _even(count, START_SEED)
    x, y = (solver.graded_edges_mm(side, engine.CELLS) for side in (section.width_mm, section.depth_mm))
    if wet.field is None:
        mc = np.full((engine.CELLS, engine.CELLS), wet.mean_pct)
    else:
        mc = laid_on(np.asarray(wet.field.mc_pct), wet.field.x_edges_mm, wet.field.y_edges_mm, x, y)
    shape = Shape(section, wood, x, y, members)
    return shape.movement(np.maximum(mc + (wet.sd_pct * off)[:, None, None], 0.0), service_mc_pct)


def reason(found: ComesOut) -> Reason:
    """Return in a code and values whether it comes out, and what does where it does not."""
    code = "comes_out" if found.sure else "no_longer_comes_out" if found.lost else "little_left"
    return Reason(
        code=f"verdict.{code}",
        values={
            "probability": found.probability,
            "wanted": found.wanted,
            "width_mm": found.finished_mm[0],
            "depth_mm": found.finished_mm[1],
            "size_width_mm": found.size_mm[0],
            "size_depth_mm": found.size_mm[1],
            "checks_mm": max(found.parts_mm["checks"]),
            "largest_width_mm": found.largest_mm[0],
            "largest_depth_mm": found.largest_mm[1],
        },
    )


def _even_pct(shape: Shape, wood: Species, calibration: Calibration, at_s: float) -> Floats:
    """Even moisture content at which every member had shrunk as far as it had at a moment, shape (m,).

    Of a moment in the past only means and the profile below mid-face are kept; a shell below the onset of
    shrinkage under a wet core has shrunk though the mean has not, and the profile tells by how much.
    """
    at, means = calibration.history_posix_s, calibration.history_mean_pct
    then = np.array([np.interp(at_s, at, each) for each in means.T])
    onset = wood.shrinkage_onset_pct
    if at_s <= float(at[0]):  # as it came: even
        return then
    profile = np.array([np.interp(at_s, at, each) for each in calibration.history_depth_pct.T])
    weight = _ring_shares(calibration.depths_mm, shape.section)
    mean = float(profile @ weight)
    share = float(np.clip(1 - profile / onset, 0.0, 1.0) @ weight)
    more = share - max(0.0, 1 - mean / onset)
    done = np.clip(np.maximum(0.0, 1 - then / onset) + more, 0.0, 1.0)
    return np.asarray(np.where(done > 0, onset * (1 - done), np.maximum(then, onset)))


def _ring_shares(depths_mm: Floats, section: Section) -> Floats:
    """Share of the section that each depth stands for, as rings between the middles of the depths."""
    deepest = min(section.width_mm, section.depth_mm) / 2
    ends = np.concatenate([[0.0], np.minimum((depths_mm[1:] + depths_mm[:-1]) / 2, deepest), [deepest]])
    inner = (section.width_mm - 2 * ends) * (section.depth_mm - 2 * ends)
    rings = -np.diff(inner)
    rings[-1] += inner[-1]
    return np.asarray(rings / rings.sum())


def shrinking_apart(count: int) -> solver.Members:
    """Return pieces that differ in their shrinkage as those of a species do, and in nothing else.

    Parameters
    ----------
    count : int
        How many.

    Returns
    -------
    Members
        Their shrinkage in even steps of probability, the same at every call. [-]

    References
    ----------
    Wood Handbook, FPL-GTR-282 (2021), chapter 4: shrinkage varies by about 15 % from piece to piece.
    """
    one, none = np.ones(count), np.zeros(count)
    return solver.Members(
        d_factor=one,
        surface_factor=one,
        start_mc_pct=none,
        emc_offset_pct=none,
        shrinkage_factor=np.maximum(1 + PIECES_VARY * _even(count, SHRINKS_SEED), 0.1),
    )


def _even(count: int, seed: int) -> Floats:
    """Return a normal deviate of each, in even steps of probability, in an order of its own."""
    deviates = scipy.special.ndtri((np.arange(count) + 0.5) / count)
    return np.asarray(np.random.default_rng(seed).permutation(deviates))
