"""The words a person reads: verdicts by word and shape, spans, ages, and what each term means."""

from __future__ import annotations

import html
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from typing import Final

from baulk.ingest.evaluation.document import Document, Interval, MeasuredSize, Outline, Verdict
from baulk.models import formatting, units
from baulk.models.errors import NotFound
from baulk.models.formatting import about, share
from baulk.models.openings import Opening
from baulk.models.reading import Reading
from baulk.models.use_class import UseClassTable

NOTHING: Final = "·"  # in a cell of which nothing is known


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """How one verdict is told: a shape that fills up as the piece nears its square, a word and a sentence."""

    shape: str
    word: str
    sentence: str
    rank: int


STEPS: Final[Mapping[str, Step]] = {
    "square": Step(
        shape="■", word="Square", sentence="Square it now: it will stay square within its tolerance.", rank=0
    ),
    "rough out": Step(
        shape="◧", word="Rough out", sentence="Take it down oversize now; square it later.", rank=1
    ),
    "leave": Step(
        shape="□", word="Leave", sentence="Leave it: squared now, it would move too far afterwards.", rank=2
    ),
}
WORKING: Final = Step(
    shape="·",
    word="Being computed",
    sentence="The first verdict is being computed; it appears here by itself.",
    rank=3,
)
CONTRADICTION: Final = Step(
    shape="≠",
    word="Contradiction",
    sentence="Scale and pins cannot both be right: leave it until one test has settled which is.",
    rank=0,
)

TOO_SMALL: Final = Step(
    shape="▫",
    word="Too small",
    sentence="Its finished size no longer comes out of it: choose a smaller one, or take another timber.",
    rank=2,
)
LITTLE_LEFT: Final = Step(
    shape="▫",
    word="Little left",
    sentence="It is not sure that its finished size still comes out of it.",
    rank=2,
)

TERMS: Final[Mapping[str, str]] = {
    "MC": "Moisture content: the mass of water as a percent of the oven-dry mass of the wood.",
    "EMC": "Equilibrium moisture content: what small, thin wood would settle at if this air never changed.",
    "FSP": "Fibre saturation point: about 30 % MC. Wood shrinks only below it, and above it a pin meter can "
    "say no more than 'at least this wet'.",
    "core": "The inner region, at least a third of the half-thickness in from every face.",
    "shell": "The outer fifth of the half-thickness.",
    "range": "The range beside a number holds the truth nine times in ten, as far as the model knows.",
    "movement": "How far the finished piece would still move after squaring, until it has settled.",
    "pith": "The centre of the growth rings. A section with the pith inside is a boxed heart and will check.",
}

CONDITIONS: Final[Mapping[str, str]] = {
    "settling": "settling in service",
    "mean_limit": "mean MC at squaring",
    "build": "being built in",
    "dry_season": "driest season",
    "damp_season": "dampest season",
}

SOURCES: Final[Mapping[str, str]] = {
    "mqtt": "sensor",
    "hand": "by hand",
    "import": "imported",
}


def step(name: str | None) -> Step:
    """Return how a verdict is told; none yet is told as being worked out."""
    return WORKING if name is None else STEPS.get(name, WORKING)


def judged(verdict: Verdict | None) -> Step:
    """Return how a verdict is told; scale and pins that contradict each other have a shape of their own."""
    if verdict is None:
        return WORKING
    if verdict.contradiction is not None:
        return CONTRADICTION
    out = verdict.comes_out
    if verdict.step != "leave" or out is None or out.sure:
        return step(verdict.step)
    return TOO_SMALL if out.lost else LITTLE_LEFT


def doubted(verdict: Verdict) -> bool:
    """Whether a verdict rests on too few readings; one that a timber may be squared as it is needs none."""
    return not verdict.enough_readings and verdict.step != "square"


def span(median: float, low: float, high: float, unit: str = "%") -> str:
    """Return a middle value with its 5-95 % range, for instance ``31 % (27 to 36)``."""
    digits = 0 if max(abs(median), abs(low), abs(high)) >= 9.95 else 1
    return f"{median:.{digits}f} {unit} ({low:.{digits}f} to {high:.{digits}f})"


def age(then: datetime, now: datetime) -> str:
    """Return how long ago something was, in one unit."""
    seconds = (now - then).total_seconds()
    if seconds < 0:
        return "just now" if seconds > -60 else "in the future"
    for size, name in ((86400.0, "day"), (3600.0, "hour"), (60.0, "minute")):
        if seconds >= size:
            n = int(seconds // size)
            return f"{n} {name}{'s' if n > 1 else ''} ago"
    return "just now"


class _Wall:
    """The clock on the wall; None is this machine's zone."""

    zone: tzinfo | None = None


def keep_to(zone: tzinfo | None) -> None:
    """Show moments by the clock of a zone from now on; a process shows those of one shop."""
    _Wall.zone = zone


def zone() -> tzinfo | None:
    """Return the zone that moments are shown in; None is this machine's."""
    return _Wall.zone


def local(moment: datetime) -> datetime:
    """Return a moment by the shop's clock on the wall."""
    return moment.astimezone(_Wall.zone)


def wall(moment: datetime) -> datetime:
    """Return what the shop's clock shows as a time without a zone, which a chart draws as it stands."""
    return local(moment).replace(tzinfo=None)


def day(moment: datetime) -> str:
    """Return a date in the shop's zone, for instance ``4 Mar 2027``."""
    at = local(moment)
    return f"{at.day} {at:%b %Y}"


def clock(moment: datetime) -> str:
    """Return a date with its time in the shop's zone."""
    at = local(moment)
    return f"{at.day} {at:%b %Y, %H:%M}"


def when(date: datetime | None, now: datetime, spread_days: float | None = None) -> str:
    """Return when something becomes true, as surely as that is known; without a spread a month is told."""
    if date is None:
        return "not within two years"
    return "now" if date <= now else about(local(date), spread_days, short=True)


def step_from(verdict: Verdict, name: str, now: datetime) -> str:
    """Return from when on a step may be done.

    Scale and pins that contradict each other give no date, and what too few readings say is never "now".
    Roughing out is asked about today alone, so without its date nothing is said of the years to come.
    """
    date = verdict.dates.get(name)
    if verdict.contradiction is not None:
        return "unknown"
    if name == "rough out" and date is None:
        return "not today"
    if date is not None and date <= now and verdict.step != name and not verdict.enough_readings:
        return "after more readings"
    return when(date, now, verdict.spread_days.get(name))


def sure(verdict: Verdict, name: str) -> str:
    """Return how sure a step is today, never as the number that it falls short of; empty where unknown.

    Roughing out that gains too little has no chance of its own: it is stored as 0, which says nothing of
    whether the finished size would come out of the piece.
    """
    chance = verdict.probability.get(name)
    if chance is None or (name == "rough out" and chance == 0):
        return ""
    return share(chance, verdict.needed if name == "square" else verdict.wanted)


def conditions(verdict: Verdict, now: datetime) -> list[tuple[str, str, str]]:
    """Return the conditions of a squared piece: each with its chance today and when that is enough.

    Nothing where scale and pins contradict each other, for there are no dates then.
    """
    stages = () if verdict.contradiction is not None else verdict.stages
    return [
        (
            f"{CONDITIONS.get(each.what, each.what)}{', decides' if each.decides else ''}",
            share(each.probability, verdict.needed),
            when(each.date, now, each.spread_days),
        )
        for each in stages
    ]


def reached(what: str, below_pct: float, dates: Sequence[datetime | None], now: datetime) -> str:
    """Return when a part comes down to a moisture content, from its dates at 5, 25, 50, 75 and 95 %."""
    early, _, middle, _, late = dates
    goal = f"{what} comes down to {below_pct:.0f} %"
    if late is not None and late <= now:
        return f"{what} is at {below_pct:.0f} % or below already."
    if early is None:
        return (
            f"{goal} hardly within the time that the forecast looks ahead: in less than one chance of twenty."
        )
    last = dates[3] if late is None else late
    spread = None if last is None else (last - max(early, now)).total_seconds() / 86_400 / 3.29  # a normal's

    def told(date: datetime) -> str:
        return "now" if date <= now else about(local(date), spread, short=True)

    begin = told(early).removeprefix("about ")  # the end of a range is rough as it is
    if middle is None:
        return f"{goal} in less than half of the chances within the forecast, {begin} at the earliest (5 %)."
    end = "beyond the forecast" if late is None else told(late).removeprefix("about ")
    span = f"nine chances in ten lie between {begin} and {end}."
    if middle <= now:
        return f"{what} is most likely at {below_pct:.0f} % or below already; {span}"
    return f"{goal} {told(middle)} most likely; {span}"


def of_check(move: Outline) -> dict[str, Interval]:
    """Name the measures of a boxed heart's check.

    Parameters
    ----------
    move : Outline
        A movement. [mm]

    Returns
    -------
    dict
        By its words each measure: the opening, the crown beside it and the lean of the faces next to it. [mm]
    """
    if move.check_face is None or move.crown_mm is None or move.side_lean_mm is None:
        return {"checks at the face": move.check_mm}
    face = move.check_face
    return {
        f"check at face {face}, open": move.check_mm,
        f"face {face} stands out at the check": move.crown_mm,
        f"faces beside face {face}, each leans": move.side_lean_mm,
    }


def use(name: str, uses: UseClassTable) -> str:
    """Return the title of a use class; one that the tables no longer know keeps its bare name."""
    try:
        return uses.get(name).title
    except NotFound:
        return name


def from_posix(posix_s: float) -> datetime:
    """Return a moment as a time-zone-aware datetime."""
    return datetime.fromtimestamp(posix_s, tz=UTC)


def source(reading: Reading) -> str:
    """Return where a reading came from."""
    return SOURCES.get(reading.source, reading.source)


_MARKDOWN: Final = re.compile(r"[\\*\[\]<>&$~|#]|(?<![^\W_])_|_(?![^\W_])|^[-+]|^\d{1,9}[.)](?= |$)")
_CODE: Final = re.compile(r"(`[^`]*`)")


def md(text: str) -> str:
    """Return text that Markdown shows as it stands: no picture, link, heading or formula comes of it.

    A person's or a sensor's word goes through this wherever a page writes Markdown. A command between
    backticks stays one, unless the text holds signs that would let it end somewhere else.
    """
    text = " ".join(text.split())
    if any(each in text for each in ("``", "\\", "<", "$")):
        return _MARKDOWN.sub(_escaped, text).replace("`", "\\`")
    pieces = _CODE.split(text)
    if "`" in "".join(pieces[::2]):  # one that is not closed
        return _MARKDOWN.sub(_escaped, text).replace("`", "\\`")
    pieces[::2] = [_MARKDOWN.sub(_escaped, each) for each in pieces[::2]]
    return "".join(pieces)


def _escaped(found: re.Match[str]) -> str:
    return f"{found[0][:-1]}\\{found[0][-1]}"


def mds(texts: Iterable[str]) -> list[str]:
    """Return texts that Markdown shows as they stand."""
    return [md(each) for each in texts]


def esc(text: str) -> str:
    """Return text safe inside HTML."""
    return html.escape(text, quote=True)


_SEEN: Final = {"check": "{} in face {}, open"}


def measured(answer: Document, system: units.System) -> list[tuple[str, str, str, str]]:
    """Return day, what, measured and foreseen of each measured size, newest first."""
    return [
        (
            day(from_posix(each.posix_s)),
            _where_measured(each, system),
            formatting.show_movement(each.measured_mm, system)
            + (" (not as foreseen)" if each.unlike else "" if each.reach_mm is None else " (end dried)"),
            formatting.show_movement_range(
                (each.foreseen_mm.low, each.foreseen_mm.median, each.foreseen_mm.high), system
            ),
        )
        for each in sorted(answer.calibration.sizes, key=lambda one: one.posix_s, reverse=True)
    ]


def _where_measured(one: MeasuredSize, system: units.System) -> str:
    what = _SEEN.get(one.what, "{} along face {}").format(one.what, one.face) if one.face else one.what
    if one.from_end_mm is None:
        return what
    return f"{what}, {formatting.show_along(one.from_end_mm, system)} from an end"


def called(one: Opening) -> str:
    """Return a check, shake or split by its kind, its name and its face."""
    name = f" {one.name}" if one.name else ""
    return f"{one.kind}{name}{f', face {one.face.value}' if one.face else ''}"


def opening(one: Opening, system: units.System) -> tuple[str, str, str, str, str]:
    """Return which it is, since when, and how wide, deep and long when that was measured last."""
    wide, deep, long = one.width_mm, one.depth_mm, one.length_mm
    return (
        called(one),
        day(one.since_utc),
        "-" if wide is None else formatting.show_movement(wide, system),
        "-" if deep is None else units.show_length(deep, system),
        "-" if long is None else units.show_length(long, system),
    )
