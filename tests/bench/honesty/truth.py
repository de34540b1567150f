"""One timber's truth from its arrival on: moisture of the section, its parts, and the whole timber's, by day.

Kept in a file beside no sources, under the number of the timber and a hash of the modules that make truth, so
that every run on the same truth reads it.
"""

from __future__ import annotations

import ast
import dataclasses
import hashlib
import os
import pickle
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from honesty import climates, ends, grid, timbers
from honesty.climates import DAY_S, STEPS_A_DAY, Air, Record

GAS_J_MOL_K = 8.314462618
FOLDER = "BAULK_BENCH_TRUTH"
DAYS = 2200  # six years
EVERY_DAYS = 7  # a field is kept
ENDS_M2_S = 3e-11  # along the grain: this times the level and the ratio
SOURCES = (
    "climates", "ends", "grid", "meters", "physics_bound", "physics_front", "physics_potential",
    "physics_rings", "physics_two_phase", "timbers", "truth",
)  # fmt: skip


@dataclass(frozen=True, kw_only=True, eq=False)
class Place:
    """A section and what is in it at the start: what a physics is given."""

    width_mm: float
    depth_mm: float
    pith_mm: tuple[float, float]
    start_pct: np.ndarray
    sapwood: np.ndarray


@dataclass(frozen=True, kw_only=True, eq=False)
class Drive:
    """What acts on a section at every step: [degC, %, m/s by face]."""

    days: int
    wood_c: np.ndarray
    emc_pct: np.ndarray
    surface_m_s: np.ndarray

    def warm(self, activation_j_mol):
        """Coefficient over that at 20 degC."""
        return np.exp(-activation_j_mol / GAS_J_MOL_K * (1 / (self.wood_c + 273.15) - 1 / 293.15))


@dataclass(frozen=True, kw_only=True, eq=False)
class Truth:
    """By day from arrival: parts of the mid-length section, the whole timber, the wood's temperature.

    `kept_days` and `fields_pct` are the section's fields, (kept, ny, nx).
    """

    piece: timbers.Piece
    mean_pct: np.ndarray
    shell_pct: np.ndarray
    core_pct: np.ndarray
    whole_pct: np.ndarray
    wood_c: np.ndarray
    kept_days: np.ndarray
    fields_pct: np.ndarray
    air: Air
    record: Record

    def field(self, day):
        """The section at a day, between the two fields that are kept."""
        i = int(
            np.clip(
                np.searchsorted(self.kept_days, day, side="right") - 1,
                0,
                self.kept_days.size - 2,
            )
        )
        share = (day - self.kept_days[i]) / (self.kept_days[i + 1] - self.kept_days[i])
        return (1 - share) * self.fields_pct[i].astype(float) + share * self.fields_pct[i + 1]

    def at(self, part, day):
        """Mean, shell, core or whole at a day."""
        values = getattr(self, f"{part}_pct")
        return float(np.interp(day, np.arange(values.size), values))


def starting(piece, cells=grid.CELLS):
    """Heart and sapwood as sawn, and which cells are sapwood."""
    x, y = (
        grid.centres_mm(piece.width_mm, cells),
        grid.centres_mm(piece.depth_mm, cells),
    )
    away = np.hypot(x[None] - piece.pith_mm[0], y[:, None] - piece.pith_mm[1])
    sapwood = away > piece.heart_mm
    return np.where(sapwood, piece.sap_pct, piece.heart_pct), sapwood


def driven(piece, air, days):
    """What acts on the timber's faces."""
    wood = climates.running_mean(air.temp_c, 0.5)
    emc = climates.equilibrium_pct(air.temp_c, air.rh_pct)
    emc = np.maximum(climates.running_mean(emc, 1.0) + piece.emc_offset_pct, 2.0)
    summer = -np.cos(2 * np.pi * (air.posix_s / DAY_S % 365.25 - 17) / 365.25)
    surface = piece.conductance_m_s * (1 + piece.season * summer)[:, None] * np.array(piece.faces)[None]
    return Drive(days=days, wood_c=wood, emc_pct=emc, surface_m_s=surface)


def make(number):
    """Work one truth out."""
    piece = timbers.piece(number)
    days = DAYS
    total = days + piece.dried_days
    rng = np.random.default_rng([17, number])
    air = climates.weather(
        rng,
        piece.climate,
        piece.arrived_s - piece.dried_days * DAY_S,
        total * STEPS_A_DAY,
    )
    start, sapwood = starting(piece)
    place = Place(
        width_mm=piece.width_mm, depth_mm=piece.depth_mm, pith_mm=piece.pith_mm,
        start_pct=start, sapwood=sapwood,
    )  # fmt: skip
    drive = driven(piece, air, total)
    fields = timbers.PHYSICS[piece.physics].dry(piece.law, piece.level, place, drive)
    since = piece.dried_days
    parts = grid.parts_pct(fields[since:], piece.width_mm, piece.depth_mm)
    along = ENDS_M2_S * piece.level * piece.end_ratio * drive.warm(40e3)
    share = ends.left(piece.length_mm, along[since * STEPS_A_DAY :], sealed=piece.ends_sealed)
    usual = float(drive.emc_pct.mean())
    kept = np.arange(0, days + 1, EVERY_DAYS)
    if piece.section_error_pct is not None:
        said = round(float(parts["mean"][0]) + piece.section_error_pct)
        piece = dataclasses.replace(piece, told_green_pct=float(said))
    return Truth(
        piece=piece,
        mean_pct=parts["mean"],
        shell_pct=parts["shell"],
        core_pct=parts["core"],
        whole_pct=usual + (parts["mean"] - usual) * share,
        wood_c=drive.wood_c[::STEPS_A_DAY][since:],
        kept_days=kept,
        fields_pct=fields[since:][kept].astype(np.float32),
        air=air,
        record=climates.recorded(np.random.default_rng([19, number]), air, piece.arrived_s),
    )


def fingerprint():
    """Hash of the code that makes truth, whatever its layout and comments."""
    here, found = Path(__file__).parent, hashlib.sha256()
    for name in SOURCES:
        tree = ast.parse((here / f"{name}.py").read_text(encoding="utf-8"))
        found.update(ast.dump(tree).encode())
    return found.hexdigest()[:12]


def folder(given=None):
    """Where truths are kept: as given, or as the environment says, or beside the system's temporary files."""
    where = given or os.environ.get(FOLDER) or Path(tempfile.gettempdir()) / "baulk-bench-truth"
    found = Path(where) / fingerprint()
    found.mkdir(parents=True, exist_ok=True)
    return found


def get(number, *, kept_in=None):
    """Give a truth, from its file if there is one."""
    file = folder(kept_in) / f"{number:04d}.pickle"
    if file.exists():
        with file.open("rb") as stream:
            return pickle.load(stream)  # noqa: S301 - our own file
    made = make(number)
    part = file.with_suffix(f".{os.getpid()}")
    with part.open("wb") as stream:
        pickle.dump(made, stream, protocol=5)
    part.replace(file)
    return made
