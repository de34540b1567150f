"""May this timber be squared today? Leave it, rough it out, or square it: when, how sure, and why.

Decided on the residual movement of the finished piece against what its use tolerates, never on the average
moisture or a shell reading: a piece is ready on the first date on which the share of the ensemble that stays
within the tolerance reaches the wanted probability. Rules of thumb stand nowhere in it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from baulk.models import drying
from baulk.models.calibrate import FEWEST, Calibration
from baulk.models.distortion import Movement, Shape
from baulk.models.forecast import Forecast
from baulk.models.rough_out import RoughOut
from baulk.models.section import Finished, Section
from baulk.models.species import Species
from baulk.models.timber import Timber
from baulk.models.units import System, show_length, show_size
from baulk.models.use_class import UseClass

Floats = NDArray[np.float64]
Step = Literal["leave", "rough out", "square"]

BAND: Final = 0.05  # a verdict once given holds until its probability has fallen by this much
SOONER_DAYS: Final = (
    28  # roughing out must gain at least so much to be worth the saw; common practice, no source
)
EVERY: Final = 2  # every second moment of the forecast is a candidate date
DAY_S: Final = 86_400.0
PIN_SD_PCT: Final = 2.0
WEIGHT_SD_PCT: Final = 0.6  # of the first weight
WORTH: Final = 0.05


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Verdict:
    """What to do with a timber, and why.

    Parameters
    ----------
    tag : str
        Which timber.
    step : str
        "leave", "rough out" or "square".
    made_utc : datetime
        Moment that it speaks of.
    dates : mapping of str to datetime or None
        First date on which "rough out" and "square" hold; None beyond the horizon.
    probability : mapping of str to float
        Chance that each holds today.
    reasons : tuple of str
        Plain sentences with their numbers.
    next_reading : str
        The one reading that would narrow the answer most.
    residual : Movement
        Movement to come if it were squared today, every member. [mm]
    rough_out_size_mm : (float, float) or None
        Width and depth to rough out to. [mm]
    enough_readings : bool
        Whether the timber's own readings speak, not only its species.
    """

    tag: str
    step: Step
    made_utc: datetime
    dates: Mapping[str, datetime | None]
    probability: Mapping[str, float]
    reasons: tuple[str, ...]
    next_reading: str
    residual: Movement
    rough_out_size_mm: tuple[float, float] | None
    enough_readings: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Path:
    """Readiness at every candidate date."""

    posix_s: Floats
    probability: Floats
    first: Movement
    first_done: Floats
    unsettled_mm: Floats

    def date(self, probability: float) -> datetime | None:
        """First candidate that is sure enough."""
        ready = np.flatnonzero(self.probability >= probability)
        return None if ready.size == 0 else datetime.fromtimestamp(float(self.posix_s[ready[0]]), UTC)


def service_draw(use: UseClass, members: int, seed: int = 11) -> Floats:
    """Service moisture of every member: even over the middle half of the range, the same at every call.

    What is unknown is the mean that a piece settles at; the seasons swing it over the whole range about that,
    and no day of squaring avoids them.

    Parameters
    ----------
    use : UseClass
        Where the piece will live.
    members : int
        How many.
    seed : int
        Seed of the order.

    Returns
    -------
    ndarray, shape (members,)
        Moisture content in service. [% of oven-dry mass]
    """
    even = 0.25 + 0.5 * (np.arange(members) + 0.5) / members
    order = np.random.default_rng(seed).permutation(members)
    return np.asarray(use.service_low_pct + (use.service_high_pct - use.service_low_pct) * even[order])


def judge(  # noqa: PLR0913 - the contract's own signature
    timber: Timber,
    species: Species,
    use_class: UseClass,
    calibration: Calibration,
    forecast: Forecast,
    *,
    probability: float = 0.9,
    previous: str | None = None,
    roughed: RoughOut | None = None,
    system: System = "metric",
) -> Verdict:
    """Leave, rough out or square.

    Parameters
    ----------
    timber : Timber
        The timber.
    species : Species
        Its species.
    use_class : UseClass
        Where the finished piece will live.
    calibration : Calibration
        The ensemble now.
    forecast : Forecast
        The whole timber ahead.
    probability : float
        How sure the answer must be, 0.5 to below 1.
    previous : str, optional
        Step of the last verdict; it is kept until its probability has left a band of 0.05.
    roughed : RoughOut, optional
        The timber taken down oversize today.
    system : {"inch", "metric"}
        Units of the sentences.

    Returns
    -------
    Verdict
        Step, dates, probabilities, reasons.

    References
    ----------
    The decision is our own; its parts are `baulk.models.distortion`, `drying` and `use_class`.
    """
    service = service_draw(use_class, calibration.meter_bias_pct.size)
    tolerance = use_class.tolerance_mm(timber.finished.width_mm, timber.finished.depth_mm)
    rule = _Rule(
        species=species,
        use=use_class,
        service_mc_pct=service,
        tolerance_mm=tolerance,
        wanted=probability,
        system=system,
    )
    whole = _path(forecast, timber.section, timber.finished, rule)
    taken = _path(roughed.forecast, _section(roughed), roughed.inner, rule) if roughed else None
    now = datetime.fromtimestamp(float(forecast.posix_s[0]), UTC)
    square, ready = whole.date(probability), taken.date(probability) if taken else None
    gain_days = _gain_days(forecast, square, ready)
    least_days = SOONER_DAYS / 2 if previous == "rough out" else SOONER_DAYS
    worth = roughed is not None and gain_days is not None and gain_days >= least_days
    chance = {
        "square": float(whole.probability[0]),
        "rough out": roughed.probability if roughed and worth else 0.0,
    }
    if use_class.may_stay_wet:
        chance["square"], square = 1.0, now
    step = _step(chance, wanted=probability, previous=previous)
    if not calibration.enough and not use_class.may_stay_wet:
        step = "leave"
    words = _Words(
        timber=timber,
        calibration=calibration,
        forecast=forecast,
        rule=rule,
        whole=whole,
        roughed=None if use_class.may_stay_wet or step == "square" else roughed,
        square=square,
        ready=ready,
        gain_days=gain_days,
    )
    return Verdict(
        tag=timber.tag,
        step=step,
        made_utc=now,
        dates={"rough out": now if chance["rough out"] >= probability else None, "square": square},
        probability=chance,
        reasons=words.reasons(),
        next_reading=_next_reading(timber, species, calibration, whole, system),
        residual=whole.first,
        rough_out_size_mm=(roughed.piece.width_mm, roughed.piece.depth_mm) if roughed and worth else None,
        enough_readings=calibration.enough,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Rule:
    species: Species
    use: UseClass
    service_mc_pct: Floats
    tolerance_mm: float
    wanted: float
    system: System

    def small(self, mm: float) -> str:
        """Write a movement: hundredths of an inch, or tenths of a millimetre."""
        return f"{mm / 25.4:.2f} in" if self.system == "inch" else f"{mm:.1f} mm"


def _section(roughed: RoughOut) -> Section:
    return roughed.forecast.fields[0].section


def _path(forecast: Forecast, section: Section, finished: Finished, rule: _Rule) -> _Path:
    """Movement to come and readiness, were the piece squared on each candidate date."""
    fields = forecast.fields[::EVERY]
    pieces = [drying.cut(field, finished) for field in fields]
    shape = Shape(finished.inside(section), rule.species, pieces[0].x_edges_mm, pieces[0].y_edges_mm)
    chance = []
    for piece in pieces:
        most = shape.movement(piece.mc_pct, rule.service_mc_pct).largest_mm
        ready = most <= rule.tolerance_mm
        if rule.use.max_mc_at_squaring_pct is not None:
            ready &= piece.mean_pct <= rule.use.max_mc_at_squaring_pct
        chance.append(float(np.mean(ready)))
    likely = np.flatnonzero(np.array(chance) >= 0.5)
    then = int(likely[0]) if likely.size else -1
    return _Path(
        posix_s=forecast.posix_s[::EVERY],
        probability=np.array(chance),
        first=shape.movement(pieces[0].mc_pct, rule.service_mc_pct),
        first_done=shape.done(pieces[0].mc_pct, rule.service_mc_pct),
        unsettled_mm=shape.movement(pieces[then].mc_pct, rule.use.service_mc_pct).largest_mm,
    )


def _gain_days(forecast: Forecast, whole: datetime | None, taken: datetime | None) -> float | None:
    """Days that roughing out saves; against the horizon when the whole timber is not ready within it."""
    if taken is None:
        return None
    whole_s = float(forecast.posix_s[-1]) if whole is None else whole.timestamp()
    return (whole_s - taken.timestamp()) / DAY_S


def _step(chance: Mapping[str, float], *, wanted: float, previous: str | None) -> Step:
    """Choose the step, keeping the last one until its probability has left the band."""

    def needed(step: str) -> float:
        return wanted - BAND if previous == step else wanted

    if chance["square"] >= needed("square"):
        return "square"
    if chance["rough out"] >= needed("rough out"):
        return "rough out"
    return "leave"


def _share(part: float) -> str:
    """Write a probability or a share; never a certainty that 64 members can't give."""
    if part < 0.01:
        return "less than 1 %"
    return "more than 99 %" if part > 0.99 else f"{100 * part:.0f} %"


def _day(moment: datetime) -> str:
    return f"{moment.day} {moment:%B %Y}"


def _spread(values: Floats) -> tuple[float, float, float]:
    low, middle, high = np.quantile(values, (0.05, 0.5, 0.95))
    return float(middle), float(low), float(high)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Words:
    """The sentences under a verdict."""

    timber: Timber
    calibration: Calibration
    forecast: Forecast
    rule: _Rule
    whole: _Path
    roughed: RoughOut | None
    square: datetime | None
    ready: datetime | None
    gain_days: float | None

    def reasons(self) -> tuple[str, ...]:
        """Plain sentences, the deciding one first."""
        said = [] if self.calibration.enough else [self._few()]
        said += [self._deciding(), self._moisture()]
        most = self.rule.use.max_mc_at_squaring_pct
        if most is not None and not self.rule.use.may_stay_wet:
            said.append(
                f"{self.rule.use.title} asks for {most:.0f} % at most on the mean when it is squared."
            )
        if self.square is None:
            said.append(
                f"Left whole it would stand at {self.forecast.mean_pct[2, -1]:.0f} % on the mean in two "
                f"years, and be {_share(self.whole.probability[-1])} sure then."
            )
        if self.roughed is not None:
            said.append(self._roughing(self.roughed))
        opening = float(np.median(self.whole.first.check_mm))
        if opening >= 0.5:
            said.append(
                "It boxes the heart and will check whatever the air: in all "
                f"{self.rule.small(opening)} wide at the face nearest the pith once in service; a relief "
                "kerf on a hidden face gives the check its place."
            )
        notable = [each for each in self.calibration.left_out if "frozen" not in each]  # frost is no news
        return (*said, *notable)

    def _few(self) -> str:
        count = self.calibration.used
        there = {0: "is no usable reading", 1: "is only one usable reading"}.get(
            count, f"are only {count} usable readings"
        )
        return (
            f"There {there} so far and {FEWEST} are needed: what follows is what its species usually does, "
            "not this timber."
        )

    def _deciding(self) -> str:
        use, wanted, today = self.rule.use, self.rule.wanted, float(self.whole.probability[0])
        if use.may_stay_wet:
            return f"{use.title} may stay wet, so it can be squared now. {use.note}"
        size = show_size(self.timber.finished.width_mm, self.timber.finished.depth_mm, self.rule.system)
        tolerance = self.rule.small(self.rule.tolerance_mm)
        middle, low, high = (self.rule.small(each) for each in _spread(self.whole.first.largest_mm))
        if self.square is None:
            when = (
                f"{_share(today)} sure to stay within that today and not {_share(wanted)} sure inside two "
                "years"
            )
        elif self.square.timestamp() <= float(self.whole.posix_s[0]) + 1:
            when = f"{_share(today)} sure to stay within that today"
        else:
            when = (
                f"{_share(today)} sure to stay within that today and {_share(wanted)} sure by "
                f"{_day(self.square)}"
            )
        return (
            f"Squared today, the finished {size} would still move {middle} ({low} to {high}), mostly "
            f"{self._governing()}; {use.title} tolerates {tolerance}. It is {when}."
        )

    def _governing(self) -> str:
        first = self.whole.first
        parts = {
            "in size": float(np.median(first.size_mm)),
            "out of square": float(np.median(np.abs(first.out_of_square_mm))),
            "in the bow of a face": float(np.median(np.abs(first.cup_mm))),
        }
        return max(parts, key=lambda name: parts[name])

    def _moisture(self) -> str:
        field, use = self.calibration.field_now, self.rule.use
        core, mean = _spread(field.core_pct), _spread(field.mean_pct)
        stands = (
            f"The core stands at {core[0]:.0f} % ({core[1]:.0f} to {core[2]:.0f}) and the section at "
            f"{mean[0]:.0f} % on the mean ({mean[1]:.0f} to {mean[2]:.0f})"
        )
        if use.service_low_pct >= self.rule.species.shrinkage_onset_pct - 2:
            return f"{stands}."
        done = min(float(np.median(self.whole.first_done)), 1.0)
        return (
            f"{stands}; the finished piece has done {_share(done)} of its shrinkage toward "
            f"{use.service_low_pct:.0f} to {use.service_high_pct:.0f} %."
        )

    def _roughing(self, roughed: RoughOut) -> str:
        size = show_size(roughed.piece.width_mm, roughed.piece.depth_mm, self.rule.system)
        if self.ready is None or self.gain_days is None:
            return f"Roughed out to {size} today it would not be ready inside two years either."
        if self.gain_days < SOONER_DAYS / 2:
            return (
                f"Roughing it out to {size} today would gain no more than {max(self.gain_days, 0):.0f} days."
            )
        least = "at least " if self.square is None else ""
        return (
            f"Roughed out to {size} today it would be ready by {_day(self.ready)}, {least}"
            f"{self.gain_days:.0f} days sooner, and is {_share(roughed.probability)} sure to still hold the "
            "finished size."
        )


def _next_reading(
    timber: Timber, species: Species, calibration: Calibration, whole: _Path, system: System
) -> str:
    """Candidate whose predicted values, with their error, explain most of the movement on the likely date."""
    target = whole.unsettled_mm
    if float(np.std(target)) < 0.02:
        return "No further reading would change the answer much; weigh it again in a month."
    best_words, best_share = "", 0.0
    for words, seen, sd in _candidates(timber, species, calibration, system):
        variance = float(np.var(seen)) + sd**2
        share = float(np.mean((seen - seen.mean()) * (target - target.mean()))) ** 2
        share /= variance * float(np.var(target))
        if share > best_share:
            best_words, best_share = words, share
    if best_share < WORTH:
        return (
            "No pin or weight today would narrow it by more than a twentieth (by correlation over "
            "the ensemble); an oven-dry section or a bored core would, or the same pins again in four weeks."
        )
    return (
        f"{best_words}: it would explain about {_share(best_share)} of what is uncertain about the movement "
        "(by correlation over the ensemble)."
    )


def _candidates(
    timber: Timber, species: Species, calibration: Calibration, system: System
) -> list[tuple[str, Floats, float]]:
    """List what could be read today: words, each member's prediction, error."""
    field, bias = calibration.field_now, calibration.meter_bias_pct
    half = min(timber.section.width_mm, timber.section.depth_mm) / 2
    found = [
        (
            f"Pins at {show_length(depth, system)} below mid-face",
            np.minimum(field.pin_pct(depth) + bias, species.fsp_pct),
            PIN_SD_PCT,
        )
        for depth in (0.25 * half, 0.5 * half, 0.75 * half, 0.95 * half)
    ]
    if calibration.weighed:
        first = calibration.history_mean_pct[0]
        found.append(("Its weight", 100 * (100 + field.mean_pct) / (100 + first), WEIGHT_SD_PCT))
    return found
