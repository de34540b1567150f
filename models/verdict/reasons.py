"""Why a verdict is what it is: codes and values, the deciding one first.

Of three numbers in a value the first is the 5 %, the second the 50 % and the third the 95 % quantile.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Final

import numpy as np

from baulk.models.allowance.chance import ComesOut
from baulk.models.calibrate.calibration import FEWEST, Calibration
from baulk.models.constants import DAY_S
from baulk.models.distortion.movement import Movement
from baulk.models.forecast import Forecast
from baulk.models.openings import Opening, growth_reasons
from baulk.models.reason import Reason, Value
from baulk.models.section import as_weak, weakest_face
from baulk.models.timber import Timber
from baulk.models.verdict import comes_out
from baulk.models.verdict.readiness import Path
from baulk.models.verdict.rough_out import SOONER_DAYS, RoughOut
from baulk.models.verdict.rule import Rule
from baulk.models.verdict.stages import Stage, quantiles

LEAST_CHECK_MM: Final = 0.5  # a narrower check is not worth a word; our own judgement, no source
# what is told of a timber wherever it lies: frost in winter is no reason for or against the saw
_NO_NEWS: Final = frozenset({"calibration.frozen"})


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Findings:
    """What the reasons are made of.

    Parameters
    ----------
    timber, calibration, forecast
        The timber, its ensemble now and ahead.
    whole : Path
        Movement to come of the piece out of the whole timber.
    stages : tuple of Stage
        What it has to stand, each by itself.
    today, driest, wettest : Movement
        Were it squared today: to its service, and to both ends of the service range. [mm]
    build_days : float
        From squaring to service. [d]
    roughed : RoughOut or None
        The timber taken down oversize today, where that is an answer.
    square, ready : datetime or None
        First date on which the piece may be squared: out of the whole timber, and out of the roughed one.
    taken : Path or None
        Movement to come of the roughed one.
    gain_days : float or None
        What roughing out saves. [d]
    checks, changed : tuple of Reason
        Of the checking margin, and of what would change the verdict.
    waits : bool
        Whether only the rule for a first yes holds it back.
    yes : bool
        Whether it may be squared today.
    out : ComesOut or None
        Whether the finished section still comes out of the timber.
    openings : tuple of Opening
        Checks, shakes and splits that were seen.
    """

    timber: Timber
    calibration: Calibration
    forecast: Forecast
    whole: Path
    stages: tuple[Stage, ...]
    today: Movement
    driest: Movement
    wettest: Movement
    build_days: float
    roughed: RoughOut | None
    square: datetime | None
    ready: datetime | None
    taken: Path | None
    gain_days: float | None
    checks: tuple[Reason, ...]
    changed: tuple[Reason, ...]
    waits: bool = False
    yes: bool = False
    out: ComesOut | None = None
    openings: tuple[Opening, ...] = ()

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
            *self._openings(),
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
        if not self.calibration.enough and not use.may_stay_wet:
            yield Reason(
                code="verdict.few_readings", values={"used": self.calibration.used, "needed": FEWEST}
            )
        if use.may_stay_wet:
            yield Reason(code="verdict.may_stay_wet", values={"use": use.title, "note": use.note})
            return
        yield from self._room()
        yield self._binds()
        yield self._chance()
        if self.waits:
            yield Reason(code="verdict.first_yes", values={"wanted": rule.wanted, "needed": rule.needed})
        yield from self._dry()
        finished = self.timber.finished
        yield Reason(
            code="verdict.moves",
            values={
                "width_mm": finished.width_mm,
                "depth_mm": finished.depth_mm,
                "movement_mm": quantiles(self.today.largest_mm),
                "change_mm": quantiles(self.today.size_change_mm),
                "mostly": self._governing(),
                "use": use.title,
                "tolerance_mm": rule.tolerance_mm,
            },
        )
        yield from (
            Reason(code="verdict.stage", values=self._of_stage(each))
            for each in self.stages
            if not each.decides
        )

    @property
    def _stands(self) -> bool:
        """Whether it stands what its use asks today, wherever it comes out of its timber or not."""
        today = float(self.whole.probability()[0]) >= self.rule.needed
        sure = self.calibration.enough and self.calibration.contradiction is None
        return self.yes or (today and sure)

    def _room(self) -> Iterator[Reason]:
        """Yield that only the room in the timber keeps it from being squared, on the best day."""
        if self.square is not None or self.out is None or not self.out.sure:
            return
        if self.whole.date(self.rule.needed) is not None:
            yield Reason(
                code="verdict.just_enough",
                values={
                    "width_mm": self.out.finished_mm[0],
                    "depth_mm": self.out.finished_mm[1],
                    "out_probability": self.out.probability,
                    "probability": float(self.whole.probability(fits=self.out.fits).max()),
                    "needed": self.rule.needed_with_room,
                },
            )

    def _binds(self) -> Reason:
        """Return what the verdict hangs on: one condition, or that all of them hold together."""
        for each in self.stages:
            if each.decides:
                return Reason(code="verdict.binds", values={**self._of_stage(each), "yes": self._stands})
        return Reason(
            code="verdict.binds_together",
            values={
                "probability": float(self.whole.probability()[0]),
                "needed": self.rule.needed,
                "same_day": all(each.probability >= self.rule.needed for each in self.stages),
            },
        )

    def _of_stage(self, each: Stage) -> dict[str, Value]:
        today = each.date_utc is not None and self._is_today(each.date_utc)
        return {
            "what": each.what,
            "probability": each.probability,
            "needed": self.rule.needed,
            "sure_utc": None if today else each.date_utc,
            "sure_today": today,
            "spread_days": each.spread_days,
            "limit_mm": each.limit_mm,
            "limit_pct": self.rule.use.max_mc_at_squaring_pct,
            "build_days": self.build_days,
            "horizon_days": self.horizon_days,
        }

    def _is_today(self, date: datetime) -> bool:
        return date.timestamp() <= float(self.whole.posix_s[0]) + 1

    def _chance(self) -> Reason:
        today, needed = float(self.whole.probability()[0]), self.rule.needed
        if self.out is not None and not self.out.sure:  # whatever day: said before it
            return Reason(code="verdict.chance_today", values={"probability": today})
        sure = self.square or self.whole.date(needed)
        if sure is None:
            return Reason(
                code="verdict.chance_not_reached",
                values={"probability": today, "needed": needed, "horizon_days": self.horizon_days},
            )
        if self._is_today(sure):
            return Reason(code="verdict.chance_today", values={"probability": today})
        return Reason(
            code="verdict.chance_by",
            values={
                "probability": today,
                "needed": needed,
                "square_utc": sure,
                "spread_days": self.whole.spread_days(),
            },
        )

    @property
    def _drier(self) -> bool:
        """Whether it is drier than its service, and swells there."""
        swells = float(np.median(self.today.size_change_mm)) > 0
        return swells and float(np.median(self.whole.mean_pct[0])) < self.rule.use.service_mc_pct

    @property
    def _too_dry(self) -> bool:
        """Whether that keeps it from being squared: most likely it swells more than its use stands."""
        swelling = [each for each in self.stages if each.what in {"settling", "damp_season"}]
        return self._drier and not self.yes and any(each.probability < 0.5 for each in swelling)

    def _dry(self) -> Iterator[Reason]:
        if self._too_dry:
            use = self.rule.use
            yield Reason(
                code="verdict.too_dry",
                values={
                    "mean_pct": quantiles(self.whole.mean_pct[0]),
                    "service_low_pct": use.service_low_pct,
                    "service_high_pct": use.service_high_pct,
                    "change_mm": quantiles(self.today.size_change_mm),
                    "use": use.title,
                },
            )

    def _governing(self) -> str:
        parts = {
            "size": float(np.median(np.abs(self.today.size_change_mm))),
            "check": float(np.median(np.abs(self.today.check_face_mm))),
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
        service: dict[str, Value] = {
            "service_low_pct": use.service_low_pct,
            "service_high_pct": use.service_high_pct,
        }
        if self._drier and not self._too_dry:
            change = quantiles(self.today.size_change_mm)
            yield Reason(code="verdict.drier_than_service", values={**service, "change_mm": change})
        elif not self._drier and use.service_low_pct < self.rule.species.shrinkage_onset_pct - 2:
            done = min(float(np.median(self.whole.first_done)), 1.0)
            yield Reason(code="verdict.shrinkage_done", values={"done": done, **service})

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
        size = dict(zip(("width_mm", "depth_mm"), self.roughed.size_mm, strict=True))
        if self.ready is None or self.gain_days is None or self.taken is None:
            yield Reason(
                code="verdict.roughing_not_ready",
                values={
                    **size,
                    "horizon_days": self.horizon_days,
                    "whole_ready": self.square is not None,
                },
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
                    "spread_days": self.taken.spread_days(),
                    "gain_days": self.gain_days,
                    "at_least": self.square is None,
                    "probability": self.roughed.probability,
                },
            )

    def _life(self) -> Iterator[Reason]:
        """Yield what happens between squaring and service, and from season to season in it."""
        use = self.rule.use
        if self.whole.build is not None:
            yield Reason(
                code="verdict.build",
                values={
                    "movement_mm": quantiles(self.whole.build_mm[0]),
                    "change_mm": quantiles(self.whole.build.size_change_mm),
                    "build_days": self.build_days,
                },
            )
        finished = self.timber.finished
        limits = use.season_limits_mm(finished.width_mm, finished.depth_mm)
        yield Reason(
            code="verdict.service_range",
            values={
                "driest_mm": float(np.median(self.driest.size_change_mm)),
                "service_low_pct": use.service_low_pct,
                "wettest_mm": float(np.median(self.wettest.size_change_mm)),
                "service_high_pct": use.service_high_pct,
                "dry_limit_mm": limits[0],
                "damp_limit_mm": limits[1],
            },
        )

    def _heart(self) -> Iterator[Reason]:
        """Yield where a boxed heart opens, and how wide."""
        opening_mm = float(np.median(self.today.check_mm))
        if opening_mm >= LEAST_CHECK_MM:
            section, today = self.whole.shape.section, self.today
            face, depth_mm = weakest_face(section)
            kerf = section.kerf if section.kerf is not None and section.kerf.face is face else None
            yield Reason(
                code="verdict.boxed_heart",
                values={
                    "face": str(face),
                    "as_likely": "".join(as_weak(section)),
                    "depth_mm": float(depth_mm),
                    "kerf": kerf is not None and kerf.sawn,
                    "check": kerf is not None and not kerf.sawn,
                    "checked": "".join(sorted({each.face for each in self.openings if each.face})),
                    "opening_mm": opening_mm,
                    "crown_mm": float(np.median(today.crown_mm)),
                    "side_lean_mm": float(np.median(today.side_lean_mm)),
                },
            )

    def _openings(self) -> Iterator[Reason]:
        """Yield what the checks have grown by."""
        for each in self.openings:
            yield from growth_reasons(each)

    def _trade(self) -> Iterator[Reason]:
        use = self.rule.use
        if not use.may_stay_wet:
            yield Reason(code="verdict.use_note", values={"note": use.note, "source": use.source})
