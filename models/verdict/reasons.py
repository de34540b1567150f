"""Why a verdict is what it is: codes and values, the deciding one first.

Of three numbers in a value the first is the 5 %, the second the 50 % and the third the 95 % quantile.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from baulk.models.allowance.chance import ComesOut
from baulk.models.calibrate.calibration import FEWEST, Calibration
from baulk.models.constants import DAY_S
from baulk.models.distortion.movement import Movement
from baulk.models.forecast import Forecast
from baulk.models.reason import Reason
from baulk.models.section import as_weak, weakest_face
from baulk.models.timber import Timber
from baulk.models.verdict import comes_out
from baulk.models.verdict.readiness import Path, Rule, first_yes
from baulk.models.verdict.rough_out import SOONER_DAYS, RoughOut

LEAST_CHECK_MM: Final = 0.5  # a narrower check is not worth a word; our own judgement, no source
# what is told of a timber wherever it lies: frost in winter is no reason for or against the saw
_NO_NEWS: Final = frozenset({"calibration.frozen"})


def quantiles(values: ArrayLike) -> tuple[float, float, float]:
    """Return the 5, 50 and 95 % quantiles."""
    low, middle, high = np.quantile(np.asarray(values), (0.05, 0.5, 0.95))
    return float(low), float(middle), float(high)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Findings:
    """What the reasons are made of.

    Parameters
    ----------
    timber, calibration, forecast
        The timber, its ensemble now and ahead.
    whole : Path
        Movement to come of the piece out of the whole timber.
    today, driest, wettest : Movement
        Were it squared today: to its service, and to both ends of the service range. [mm]
    build_days : float
        From squaring to service. [d]
    roughed : RoughOut or None
        The timber taken down oversize today, where that is an answer.
    square, ready : datetime or None
        First date on which the piece may be squared: out of the whole timber, and out of the roughed one.
    gain_days : float or None
        What roughing out saves. [d]
    checks, changed : tuple of Reason
        Of the checking margin, and of what would change the verdict.
    waits : bool
        Whether only the rule for a first yes holds it back.
    out : ComesOut or None
        Whether the finished section still comes out of the timber.
    """

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
    checks: tuple[Reason, ...]
    changed: tuple[Reason, ...]
    waits: bool = False
    out: ComesOut | None = None

    @property
    def rule(self) -> Rule:
        """What readiness means."""
        return self.whole.rule

    @property
    def horizon_days(self) -> float:
        """How far the forecast looks. [d]."""
        return float(self.forecast.posix_s[-1] - self.forecast.posix_s[0]) / DAY_S

    def reasons(self) -> tuple[Reason, ...]:
        """Return codes and values, the deciding one first."""
        notable = (each for each in self.calibration.left_out if each.code not in _NO_NEWS)
        return (
            *self._contradiction(),
            *self._comes_out(sure=False),
            *self._deciding(),
            *self._comes_out(sure=True),
            *self._moisture(),
            *self._left_whole(),
            *self._roughing(),
            *self._life(),
            *self._heart(),
            *self.checks,
            *self.changed,
            *self._trade(),
            *notable,
        )

    def _contradiction(self) -> Iterator[Reason]:
        if self.calibration.contradiction is not None:
            yield self.calibration.contradiction.reason
            yield Reason(code="verdict.settle_first")

    def _comes_out(self, *, sure: bool) -> Iterator[Reason]:
        """Yield whether the finished section still comes out of it, where it does so surely or not."""
        if self.out is not None and self.out.sure is sure:
            yield comes_out.reason(self.out)

    def _deciding(self) -> Iterator[Reason]:
        use, rule = self.rule.use, self.rule
        if not self.calibration.enough:
            yield Reason(
                code="verdict.few_readings", values={"used": self.calibration.used, "needed": FEWEST}
            )
        if use.may_stay_wet:
            yield Reason(code="verdict.may_stay_wet", values={"use": use.title, "note": use.note})
            return
        finished = self.timber.finished
        yield Reason(
            code="verdict.moves",
            values={
                "width_mm": finished.width_mm,
                "depth_mm": finished.depth_mm,
                "movement_mm": quantiles(self.whole.largest_mm()[0]),
                "mostly": self._governing(),
                "use": use.title,
                "tolerance_mm": rule.tolerance_mm,
            },
        )
        yield self._chance()
        if self.waits:
            yield Reason(code="verdict.first_yes", values={"needed": first_yes(rule.wanted)})

    def _chance(self) -> Reason:
        today = float(self.whole.probability()[0])
        if self.out is not None and not self.out.sure:  # whatever day: said before it
            return Reason(code="verdict.chance_today", values={"probability": today})
        if self.square is None:
            return Reason(
                code="verdict.chance_not_reached",
                values={"probability": today, "wanted": self.rule.wanted, "horizon_days": self.horizon_days},
            )
        if self.square.timestamp() <= float(self.whole.posix_s[0]) + 1:
            return Reason(code="verdict.chance_today", values={"probability": today})
        return Reason(
            code="verdict.chance_by",
            values={"probability": today, "wanted": self.rule.wanted, "square_utc": self.square},
        )

    def _governing(self) -> str:
        parts = {
            "size": float(np.median(self.today.size_mm)),
            "out_of_square": float(np.median(np.abs(self.today.out_of_square_mm))),
            "cup": float(np.median(np.abs(self.today.cup_mm))),
        }
        return max(parts, key=lambda name: parts[name])

    def _moisture(self) -> Iterator[Reason]:
        field, use = self.calibration.field_now, self.rule.use
        yield Reason(
            code="verdict.moisture",
            values={"core_pct": quantiles(field.core_pct), "mean_pct": quantiles(field.mean_pct)},
        )
        if use.service_low_pct < self.rule.species.shrinkage_onset_pct - 2:
            yield Reason(
                code="verdict.shrinkage_done",
                values={
                    "done": min(float(np.median(self.whole.first_done)), 1.0),
                    "service_low_pct": use.service_low_pct,
                    "service_high_pct": use.service_high_pct,
                },
            )
        if use.max_mc_at_squaring_pct is not None and not use.may_stay_wet:
            yield Reason(
                code="verdict.mean_limit", values={"use": use.title, "most_pct": use.max_mc_at_squaring_pct}
            )

    def _left_whole(self) -> Iterator[Reason]:
        if self.square is None and (self.out is None or self.out.sure):
            yield Reason(
                code="verdict.left_whole",
                values={
                    "mean_pct": float(self.forecast.mean_pct[2, -1]),
                    "probability": float(self.whole.probability()[-1]),
                    "horizon_days": self.horizon_days,
                },
            )

    def _roughing(self) -> Iterator[Reason]:
        if self.roughed is None:
            return
        piece = self.roughed.piece
        size = {"width_mm": piece.width_mm, "depth_mm": piece.depth_mm}
        if self.ready is None or self.gain_days is None:
            yield Reason(
                code="verdict.roughing_not_ready", values={**size, "horizon_days": self.horizon_days}
            )
        elif self.gain_days < SOONER_DAYS / 2:
            yield Reason(
                code="verdict.roughing_gains_little", values={**size, "gain_days": max(self.gain_days, 0.0)}
            )
        else:
            yield Reason(
                code="verdict.roughing",
                values={
                    **size,
                    "ready_utc": self.ready,
                    "gain_days": self.gain_days,
                    "at_least": self.square is None,
                    "probability": self.roughed.probability,
                },
            )

    def _life(self) -> Iterator[Reason]:
        """Yield what happens between squaring and service, and from season to season in it."""
        use = self.rule.use
        if self.whole.build is not None:
            moved = quantiles(self.whole.build.largest_mm)
            yield Reason(code="verdict.build", values={"movement_mm": moved, "build_days": self.build_days})
        yield Reason(
            code="verdict.service_range",
            values={
                "driest_mm": float(np.median(self.driest.largest_mm)),
                "service_low_pct": use.service_low_pct,
                "wettest_mm": float(np.median(self.wettest.largest_mm)),
                "service_high_pct": use.service_high_pct,
            },
        )

    def _heart(self) -> Iterator[Reason]:
        """Yield where a boxed heart opens, and how wide."""
        opening_mm = float(np.median(self.today.check_mm))
        if opening_mm >= LEAST_CHECK_MM:
            section, today = self.whole.shape.section, self.today
            face, depth_mm = weakest_face(section)
            yield Reason(
                code="verdict.boxed_heart",
                values={
                    "face": str(face),
                    "as_likely": "".join(as_weak(section)),
                    "depth_mm": float(depth_mm),
                    "kerf": section.kerf is not None and section.kerf.face is face,
                    "opening_mm": opening_mm,
                    "crown_mm": float(np.median(today.crown_mm)),
                    "side_lean_mm": float(np.median(today.side_lean_mm)),
                },
            )

    def _trade(self) -> Iterator[Reason]:
        use = self.rule.use
        if not use.may_stay_wet:
            yield Reason(code="verdict.use_note", values={"note": use.note, "source": use.source})
