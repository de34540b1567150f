"""Checks, shakes, splits and relief kerfs of a timber, as people saw, measured and sawed them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Final

from baulk.models.reason import Reason
from baulk.models.section import Face, Kerf, Section, from_pith_mm
from baulk.models.timber import OPENINGS, Event, EventKind, Timber, Value

# errors of one measurement, one standard deviation; common practice, no source: leaves of a feeler gauge lie
# a tenth of a millimetre apart; a thin leaf pushed in stops short of the tip; where a check ends along
# the timber nobody sees to the centimetre
WIDTH_SD_MM: Final = 0.1
DEPTH_SD_MM: Final = 2.0
LENGTH_SD_MM: Final = 10.0
SURE_SDS: Final = 2.0  # of a difference, before it is told as growth; common practice, no source
# of the way from a face to the pith of a boxed heart: a check so deep is the one that opens the heart, which
# planing does not take off; our own judgement, no source
HEART_SHARE: Final = 0.5
_SIZES: Final = (("width_mm", WIDTH_SD_MM), ("depth_mm", DEPTH_SD_MM), ("length_mm", LENGTH_SD_MM))


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """One opening on one day.

    Parameters
    ----------
    at_utc : datetime
        When it was looked at, with a time zone.
    width_mm, depth_mm, length_mm : float or None
        Its width at the face, its depth and its length; None where nobody measured. [mm]
    """

    at_utc: datetime
    width_mm: float | None = None
    depth_mm: float | None = None
    length_mm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Growth:
    """What one opening has grown by.

    Parameters
    ----------
    what : str
        "width", "depth" or "length".
    from_mm, to_mm : float
        Before and after. [mm]
    from_utc, to_utc : datetime
        When each was measured, with a time zone.
    """

    what: str
    from_mm: float
    to_mm: float
    from_utc: datetime
    to_utc: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Opening:
    """One check, shake or split through its days.

    Parameters
    ----------
    kind : str
        One of `timber.OPENINGS`.
    face : Face or None
        The face that it opens; None of a shake or split that was seen at an end.
    name : str
        Where a face has several; mostly empty.
    since_utc : datetime
        When it was seen first, with a time zone.
    days : tuple of Seen
        The oldest first, at least one.
    planed_mm : float
        What has been planed off its face since its depth was measured. [mm]
    """

    kind: str
    face: Face | None
    name: str
    since_utc: datetime
    days: tuple[Seen, ...]
    planed_mm: float = 0.0

    @property
    def width_mm(self) -> float | None:
        """Width at the face when it was measured last, [mm]."""
        return self._last("width_mm")

    @property
    def depth_mm(self) -> float | None:
        """Depth when it was measured last, less what has been planed off since, [mm]."""
        deep = self._last("depth_mm")
        return None if deep is None else max(deep - self.planed_mm, 0.0)

    @property
    def length_mm(self) -> float | None:
        """Length when it was measured last, [mm]."""
        return self._last("length_mm")

    @property
    def growth(self) -> tuple[Growth, ...]:
        """What has grown beyond the errors of two measurements, by the last two of each size."""
        found = []
        for name, sd_mm in _SIZES:
            known = [(each.at_utc, mm) for each in self.days if (mm := getattr(each, name)) is not None]
            if len(known) < 2:
                continue
            (before_utc, before_mm), (after_utc, after_mm) = known[-2:]
            if after_mm - before_mm > SURE_SDS * 2**0.5 * sd_mm:
                found.append(
                    Growth(
                        what=name.removesuffix("_mm"), from_mm=before_mm, to_mm=after_mm,
                        from_utc=before_utc, to_utc=after_utc,
                    )
                )  # fmt: skip
        return tuple(found)

    def _last(self, name: str) -> float | None:
        return next((mm for each in reversed(self.days) if (mm := getattr(each, name)) is not None), None)


def seen(events: Iterable[Event]) -> tuple[Opening, ...]:
    """Read every check, shake and split of a timber from its events.

    Parameters
    ----------
    events : iterable of Event
        Those that count, oldest first. Events of one kind, face and name are of one opening. Planing makes
        those of a face shallower by half of what comes off that way; one that is planed away is gone.

    Returns
    -------
    tuple of Opening
        In the order in which they were first noted. [mm]
    """
    found: dict[tuple[str, Face | None, str], Opening] = {}
    for each in events:
        if each.kind is EventKind.PLANED:
            found = {key: one for key, old in found.items() if (one := _planed(old, each)) is not None}
        if each.kind is not EventKind.CHECKED:
            continue
        face = Face(str(each.detail["face"])) if "face" in each.detail else None
        key = (str(each.detail.get("opening", OPENINGS[0])), face, str(each.detail.get("name", "")))
        now = Seen(
            at_utc=each.at_utc,
            **{name: float(each.detail[name]) for name, _ in _SIZES if name in each.detail},
        )
        since_utc = _since(each)
        old = found.get(key)
        if old is None:
            found[key] = Opening(kind=key[0], face=face, name=key[2], since_utc=since_utc, days=(now,))
        else:
            found[key] = replace(
                old,
                since_utc=min(old.since_utc, since_utc),
                days=(*old.days, now),
                planed_mm=old.planed_mm if now.depth_mm is None else 0.0,
            )
    return tuple(found.values())


def growth_reasons(opening: Opening, code: str = "opening.grew", **more: str) -> tuple[Reason, ...]:
    """Return in codes and values what an opening has grown by.

    Parameters
    ----------
    opening : Opening
        From `seen`.
    code : str
        Of each reason.
    more : str
        Further values.

    Returns
    -------
    tuple of Reason
        One, with what has grown; none where nothing has. [mm]
    """
    grown = opening.growth
    if not grown:
        return ()
    return (
        Reason(
            code=code,
            values={
                **more,
                "kind": opening.kind,
                "face": opening.face.value if opening.face else "",
                "name": opening.name,
                "sizes_mm": {each.what: (each.from_mm, each.to_mm) for each in grown},
                "from_utc": min(each.from_utc for each in grown),
                "to_utc": max(each.to_utc for each in grown),
            },
        ),
    )


def opens_heart(opening: Opening, section: Section) -> bool:
    """Whether a check goes so far toward the pith of a boxed heart that the body is open there.

    Parameters
    ----------
    opening : Opening
        What was seen.
    section : Section
        The timber and its pith. [mm]

    Returns
    -------
    bool
        False free of heart, for a shake, and where nobody measured a depth.
    """
    if not section.boxed_heart or opening.kind == "shake" or opening.face is None:
        return False
    return (opening.depth_mm or 0.0) >= HEART_SHARE * from_pith_mm(section)[opening.face]


def to_plane_off_mm(openings: Sequence[Opening], section: Section) -> dict[Face, float]:
    """Depth of the checks that must be planed off each face for a sound piece.

    Parameters
    ----------
    openings : sequence of Opening
        From `seen`.
    section : Section
        The timber and its pith. [mm]

    Returns
    -------
    dict of Face to float
        The deepest of each face that has one; the check that opens a boxed heart is not among them, for no
        planing reaches its tip. [mm]
    """
    found: dict[Face, float] = {}
    for each in openings:
        deep = each.depth_mm
        if each.face is None or not deep or opens_heart(each, section):
            continue
        found[each.face] = max(deep, found.get(each.face, 0.0))
    return found


def as_sawn(detail: Mapping[str, Value]) -> Kerf:
    """Return the relief kerf of an event's details.

    Parameters
    ----------
    detail : mapping
        Of an event of kind KERFED. [mm]

    Returns
    -------
    Kerf
        As wide as a saw usually cuts where nobody measured that.
    """
    face, deep = Face(str(detail["face"])), float(detail["depth_mm"])
    if "width_mm" not in detail:
        return Kerf(face=face, depth_mm=deep)
    return Kerf(face=face, depth_mm=deep, width_mm=float(detail["width_mm"]))


def kerf_of(section: Section, events: Iterable[Event]) -> Kerf | None:
    """Return the relief kerf that events tell of, as it is left.

    Parameters
    ----------
    section : Section
        The timber as it stands. [mm]
    events : iterable of Event
        Its events, oldest first. A later kerf takes the place of an earlier one; planing makes it shallower
        by half of what comes off that way.

    Returns
    -------
    Kerf or None
        None where none was sawn, and where none is left of it. [mm]
    """
    found: Kerf | None = None
    for each in events:
        if each.kind is EventKind.KERFED:
            found = as_sawn(each.detail)
        elif each.kind is EventKind.PLANED and found is not None:
            deep = found.depth_mm - _off_mm(each, found.face)
            found = replace(found, depth_mm=deep) if deep > 0 else None
    if found is None or not found.depth_mm < section.size_mm(found.face):
        return None
    return found


def kerfed(timber: Timber, events: Iterable[Event]) -> Timber:
    """Return a timber with the place where its body is open: its relief kerf, or its heart's check.

    Parameters
    ----------
    timber : Timber
        As it stands in the register.
    events : iterable of Event
        Its events, oldest first.

    Returns
    -------
    Timber
        With the kerf that `kerf_of` finds or, where that leaves more wood to break than the deepest check
        that was measured, with that check in its place (`Kerf.sawn` tells them apart); the same without
        either. [mm]
    """
    known = tuple(events)
    section = timber.section
    mine = [kerf_of(section, known), *(_as_kerf(each, section) for each in seen(known))]
    open_at = [each for each in mine if each is not None]
    if not open_at:
        return timber
    wood = from_pith_mm(section)
    least = min(open_at, key=lambda each: max(wood[each.face] - each.depth_mm, 0.0))
    return replace(timber, section=replace(section, kerf=least))


def _as_kerf(opening: Opening, section: Section) -> Kerf | None:
    deep = opening.depth_mm
    if deep is None or opening.face is None or not opens_heart(opening, section):
        return None
    if not deep < section.size_mm(opening.face):
        return None
    return Kerf(face=opening.face, depth_mm=deep, sawn=False)


def _since(event: Event) -> datetime:
    if "since" not in event.detail:
        return event.at_utc
    return min(datetime.fromisoformat(str(event.detail["since"])).replace(tzinfo=UTC), event.at_utc)


def _planed(opening: Opening, event: Event) -> Opening | None:
    """Return an opening after a planing, or None where nothing is left of it."""
    if opening.face is None:
        return opening
    left = replace(opening, planed_mm=opening.planed_mm + _off_mm(event, opening.face))
    return None if left.depth_mm == 0 and opening.depth_mm else left


def _off_mm(event: Event, face: Face) -> float:
    """Return what a planing took off a face: half of what came off that way."""
    across = "depth_mm" if face in {Face.A, Face.C} else "width_mm"
    now = float(event.detail[across])
    return (float(event.detail.get(f"from_{across}", now)) - now) / 2
