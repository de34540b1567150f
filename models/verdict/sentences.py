"""The sentences under a verdict."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Final

import numpy as np
from numpy.typing import NDArray

from baulk.models.calibrate.calibration import FEWEST, Calibration
from baulk.models.distortion.movement import Movement
from baulk.models.forecast import Forecast
from baulk.models.section import nearest_face
from baulk.models.timber import Timber
from baulk.models.units import show_length, show_size
from baulk.models.verdict.readiness import Path, Rule
from baulk.models.verdict.rough_out import RoughOut
from baulk.models.wording import day, share

Floats = NDArray[np.float64]

SOONER_DAYS: Final = (
    28  # roughing out must gain at least so much to be worth the saw; common practice, no source
)


def first_yes(wanted: float) -> float:
    """Return the probability at which `square` may be said for the first time.

    Half-way from the wanted one to certainty. Asked every few weeks, an answer that is right nine times in
    ten is right less often the first time it says yes: on the bench tests/bench/honesty 80 % of the first
    yeses at 0.9 held through build and service.

    Parameters
    ----------
    wanted : float
        How sure an answer must be.

    Returns
    -------
    float
        Probability.
    """
    return wanted + (1 - wanted) / 2


def spread(values: Floats) -> tuple[float, float, float]:
    """Median and the 5 and 95 % quantiles."""
    low, middle, high = np.quantile(values, (0.05, 0.5, 0.95))
    return float(middle), float(low), float(high)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Words:
    """What the sentences are made of."""

    timber: Timber
    calibration: Calibration
    forecast: Forecast
    whole: Path
    today: Movement
    driest: Movement
    wettest: Movement
    build_days: float
    roughed: RoughOut | None
    square: datetime | None
    ready: datetime | None
    gain_days: float | None
    checks: str | None
    changed: tuple[str, ...]
    waits: bool = False

    @property
    def rule(self) -> Rule:
        """What readiness means."""
        return self.whole.rule

    def reasons(self) -> tuple[str, ...]:
        """Plain sentences, the deciding one first."""
        apart = self.calibration.contradiction
        said = [] if apart is None else [apart.words]
        said += [] if self.calibration.enough else [self._few()]
        said.append(self._deciding())
        if self.waits:
            said.append(
                f"It is called ready for the first time at {share(first_yes(self.rule.wanted))}: an answer "
                "that is asked for again and again would otherwise say yes too early."
            )
        said.append(self._moisture())
        most = self.rule.use.max_mc_at_squaring_pct
        if most is not None and not self.rule.use.may_stay_wet:
            said.append(
                f"{self.rule.use.title} asks for {most:.0f} % at most on the mean when it is squared."
            )
        if self.square is None:
            said.append(
                f"Left whole it would stand at {self.forecast.mean_pct[2, -1]:.0f} % on the mean in two "
                f"years, and be {share(self.whole.probability()[-1])} sure then."
            )
        if self.roughed is not None:
            said.append(self._roughing(self.roughed))
        said += [self._life(), self._heart(), self.checks or "", *self.changed]
        if not self.rule.use.may_stay_wet:
            said.append(self._trade())
        notable = [each for each in self.calibration.left_out if "frozen" not in each]  # frost is no news
        return (*(each for each in said if each), *notable)

    def _life(self) -> str:
        """Tell what happens between squaring and service, and from season to season in it."""
        use, small = self.rule.use, self.rule.small
        parts = []
        if self.whole.build is not None:
            middle, low, high = (small(each) for each in spread(self.whole.build.largest_mm))
            parts.append(
                f"{middle} ({low} to {high}) by the end of {self.build_days:.0f} days in the shop's air"
            )
        parts += [
            f"{small(spread(moved.largest_mm)[0])} once at {at:.0f} %, the {name} of its service"
            for moved, at, name in (
                (self.driest, use.service_low_pct, "driest"),
                (self.wettest, use.service_high_pct, "wettest"),
            )
        ]
        return (
            f"Squared today it would move {', '.join(parts)}; the verdict counts the mean it settles at, in "
            "the middle half of that range."
        )

    def _heart(self) -> str:
        """Tell where a boxed heart opens, how wide, and what gives the check its place."""
        opening = float(np.median(self.today.check_mm))
        if opening < 0.5:
            return ""
        face, away = nearest_face(self.whole.shape.section)
        return (
            "It boxes the heart and will check whatever the air: where the pith lies nearest, "
            f"{show_length(away, self.rule.system)} below face {face}, in all {self.rule.small(opening)} "
            "wide once in service; a relief kerf to the heart on a hidden face gives the check its place."
        )

    def _trade(self) -> str:
        use = self.rule.use
        return f"What the trade asks of it: {use.note} ({use.source})"

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
        use, wanted, today = self.rule.use, self.rule.wanted, float(self.whole.probability()[0])
        if use.may_stay_wet:
            return f"{use.title} may stay wet, so it can be squared now. {use.note}"
        size = show_size(self.timber.finished.width_mm, self.timber.finished.depth_mm, self.rule.system)
        tolerance = self.rule.small(self.rule.tolerance_mm)
        middle, low, high = (self.rule.small(each) for each in spread(self.whole.largest_mm()[0]))
        if self.square is None:
            when = (
                f"{share(today)} sure to stay within that today and not {share(wanted)} sure inside two years"
            )
        elif self.square.timestamp() <= float(self.whole.posix_s[0]) + 1:
            when = f"{share(today)} sure to stay within that today"
        else:
            when = (
                f"{share(today)} sure to stay within that today and {share(wanted)} sure by "
                f"{day(self.square)}"
            )
        return (
            f"Squared today, the finished {size} would still move {middle} ({low} to {high}), mostly "
            f"{self._governing()}; {use.title} tolerates {tolerance}. It is {when}."
        )

    def _governing(self) -> str:
        first = self.today
        parts = {
            "in size": float(np.median(first.size_mm)),
            "out of square": float(np.median(np.abs(first.out_of_square_mm))),
            "in the bow of a face": float(np.median(np.abs(first.cup_mm))),
        }
        return max(parts, key=lambda name: parts[name])

    def _moisture(self) -> str:
        field, use = self.calibration.field_now, self.rule.use
        core, mean = spread(field.core_pct), spread(field.mean_pct)
        stands = (
            f"The core stands at {core[0]:.0f} % ({core[1]:.0f} to {core[2]:.0f}) and the section at "
            f"{mean[0]:.0f} % on the mean ({mean[1]:.0f} to {mean[2]:.0f})"
        )
        if use.service_low_pct >= self.rule.species.shrinkage_onset_pct - 2:
            return f"{stands}."
        done = min(float(np.median(self.whole.first_done)), 1.0)
        return (
            f"{stands}; the finished piece has done {share(done)} of its shrinkage toward "
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
            f"Roughed out to {size} today it would be ready by {day(self.ready)}, {least}"
            f"{self.gain_days:.0f} days sooner, and is {share(roughed.probability)} sure to still hold the "
            "finished size."
        )
