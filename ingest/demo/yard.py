"""The invented ferry's parts list, its days counted from today."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from importlib import resources
from typing import Final

from baulk.models.plan.buying import parts as buying_parts
from baulk.models.plan.buying.parts import Part
from baulk.models.section import Finished, Section
from baulk.models.timber import Timber

FILE: Final = "ferry-parts.csv"
WRITTEN_UTC: Final = datetime(2026, 11, 25, tzinfo=UTC)


def parts(now_utc: datetime) -> tuple[Part, ...]:
    """Return what the ferry still needs.

    Parameters
    ----------
    now_utc : datetime
        The present, with a time zone.

    Returns
    -------
    tuple of Part
        As in the file, each day as far ahead as it was when the list was written.
    """
    text = (resources.files("baulk.ingest.demo") / FILE).read_text(encoding="utf-8")
    later = now_utc.replace(hour=0, minute=0, second=0, microsecond=0) - WRITTEN_UTC
    return tuple(
        replace(each, wanted_by_utc=each.wanted_by_utc and each.wanted_by_utc + later)
        for each in buying_parts.read_csv(text).parts
    )


SHOP = "ferry-yard"
PLACE = "shed"
MONTHS = 14
_INCH = 25.4
_MONTH = timedelta(days=30.4)


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What the simulated wood and its sensors are like; the program sees only what they publish.

    Parameters
    ----------
    start_mc_pct : float
        Moisture content on arrival. [%]
    d_factor, surface_factor : float
        Factors on the diffusion coefficient and the surface conductance. [-]
    emc_offset_pct : float
        Corner of the shed: EMC there less EMC at the air sensor. [%]
    density_factor : float
        This tree's density over the table's. [-]
    meter_bias_pct : float
        What the meter reads too high. [%]
    """

    start_mc_pct: float
    d_factor: float
    surface_factor: float = 1.0
    emc_offset_pct: float = 0.0
    density_factor: float = 1.0
    meter_bias_pct: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """One timber of the demo, its truth, and how often somebody or something measures it.

    Parameters
    ----------
    timber : Timber
        What the register is told.
    truth : Truth
        What it is not told.
    pins_mm : tuple of float
        Depths of the pins below face b. [mm]
    pins_every_h : int
        Hours between two pin readings. [h]
    weighed_every_days : int
        Days between two weighings; 0 for never.
    """

    timber: Timber
    truth: Truth
    pins_mm: tuple[float, ...]
    pins_every_h: int = 24
    weighed_every_days: int = 0


def _inches(width: float, depth: float, *, pith: tuple[float, float] = (0.0, 0.0)) -> Section:
    x, y = pith
    return Section(width_mm=width * _INCH, depth_mm=depth * _INCH, pith_x_mm=x * _INCH, pith_y_mm=y * _INCH)


def _wanted(width: float, depth: float) -> Finished:
    return Finished(width_mm=width * _INCH, depth_mm=depth * _INCH)


def pieces(now_utc: datetime) -> tuple[Piece, ...]:
    """Return the yard as it stands now: the oldest arrived 14 months ago, the youngest two.

    Parameters
    ----------
    now_utc : datetime
        The present, with a time zone.

    Returns
    -------
    tuple of Piece
        Eight timbers of six species, in the order of their tags.
    """

    def ago(months: float) -> datetime:
        at = now_utc - months * _MONTH
        return at.replace(hour=14, minute=0, second=0, microsecond=0)

    def timber(  # noqa: PLR0913, PLR0917 - one line a timber, read as a table
        tag: str,
        species: str,
        section: Section,
        feet: float,
        finished: Finished,
        use_class: str,
        months: float,
        green_mc_pct: float | None = None,
    ) -> Timber:
        return Timber(
            tag=tag,
            species=species,
            section=section,
            length_mm=feet * 12 * _INCH,
            finished=finished,
            use_class=use_class,
            place=PLACE,
            arrived_utc=ago(months),
            ends_sealed=True,
            green_mc_pct=green_mc_pct,
        )

    return (
        Piece(  # sternpost, boxed heart
            timber=timber(
                "FER-01", "white oak", _inches(8, 8), 11, _wanted(6, 6), "backbone-above-water", MONTHS
            ),
            truth=Truth(start_mc_pct=76, d_factor=1.35, emc_offset_pct=0.6, meter_bias_pct=0.8),
            pins_mm=(20, 45, 90),
            pins_every_h=12,
        ),
        Piece(  # stem, free of heart: the pith lies below face c
            timber=timber(
                "FER-02",
                "white oak",
                _inches(8, 7, pith=(1.0, -6.0)),
                9,
                _wanted(6, 6),
                "backbone-above-water",
                MONTHS - 1,
            ),
            truth=Truth(start_mc_pct=70, d_factor=0.75, emc_offset_pct=-0.3, meter_bias_pct=-1.0),
            pins_mm=(20, 45, 80),
        ),
        Piece(  # ramp beam, heart off centre
            timber=timber(
                "FER-03",
                "white oak",
                _inches(8, 7.5, pith=(1.5, 0.75)),
                12,
                _wanted(6, 6),
                "frame-outdoors",
                5,
            ),
            truth=Truth(start_mc_pct=81, d_factor=1.1, density_factor=1.05, meter_bias_pct=0.5),
            pins_mm=(20, 45),
            weighed_every_days=7,
        ),
        Piece(  # keelson, always in the wet
            timber=timber(
                "FER-04", "Douglas-fir", _inches(10, 10), 24, _wanted(8.5, 8.5), "backbone-immersed", 8
            ),
            truth=Truth(start_mc_pct=46, d_factor=0.9, meter_bias_pct=0.4),
            pins_mm=(25, 60),
        ),
        Piece(  # deck stock; a section was cut from its end on arrival and oven-dried
            timber=timber(
                "FER-05", "longleaf pine", _inches(7, 4, pith=(0, -5)), 16, _wanted(6, 3), "deck", 11, 57
            ),
            truth=Truth(start_mc_pct=58, d_factor=1.5, density_factor=0.96, meter_bias_pct=-0.6),
            pins_mm=(12, 40),
            weighed_every_days=14,
        ),
        Piece(  # rubbing strake frames, to be bent
            timber=timber(
                "FER-06", "white ash", _inches(3, 3, pith=(0, -6)), 8, _wanted(2, 2), "steam-bent-frame", 2
            ),
            truth=Truth(start_mc_pct=43, d_factor=0.8, density_factor=1.03),
            pins_mm=(8, 30),
            weighed_every_days=7,
        ),
        Piece(  # rail posts
            timber=timber("FER-07", "tamarack", _inches(5, 5), 7, _wanted(4, 4), "frame-outdoors", 9),
            truth=Truth(start_mc_pct=52, d_factor=1.2, emc_offset_pct=0.4, meter_bias_pct=1.2),
            pins_mm=(12, 50),
        ),
        Piece(  # mooring posts: measured once in three weeks
            timber=timber(
                "FER-08",
                "black locust",
                _inches(6, 6, pith=(0.5, 0.5)),
                5,
                _wanted(5, 5),
                "frame-outdoors",
                3,
            ),
            truth=Truth(start_mc_pct=44, d_factor=0.6, meter_bias_pct=-0.5),
            pins_mm=(30,),
            pins_every_h=21 * 24,
        ),
    )
