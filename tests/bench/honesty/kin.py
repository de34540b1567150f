"""Yards in which ten timbers of a lot have dried: what the eleventh, which nobody has read, is told.

python tests/bench/honesty/kin.py --yards 12
python tests/bench/honesty/kin.py --yards 12 --nothing-shared

The truths are those of the bench, with a lot's own level of ln D, one shed and one meter for all of a yard,
drawn from all numbers but of what is kept out of tuning: neither physics nor meter is of either kept-out set.
"""

from __future__ import annotations

import argparse
import ast
import hashlib
import json
import pickle
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np

from baulk.ingest import operations

sys.path.insert(0, str(Path(__file__).parents[1]))

from honesty import HELD_OUT_METER, HELD_OUT_PHYSICS, climates, ends, grid, observed, timbers, truth
from honesty.climates import DAY_S, STEPS_A_DAY

LOTS_SD, TREES_SD = 0.6, 0.25  # of ln D
NOTHING_SD = 0.7  # of ln D between every two trees
DAYS = 1000
SHED_LN_SD, SHED_EMC_SD = 0.2, 0.3  # timbers of one shed, about the shed's surface and air
DRIED = 456  # days after which the forecast is asked for
AHEAD = 180
PHYSICS = tuple(each for each in timbers.USUAL if each != HELD_OUT_PHYSICS)


def true_of(piece, air, record):
    """The truth of a piece in given air."""
    start, sapwood = truth.starting(piece)
    place = truth.Place(
        width_mm=piece.width_mm, depth_mm=piece.depth_mm, pith_mm=piece.pith_mm, start_pct=start,
        sapwood=sapwood,
    )  # fmt: skip
    drive = truth.driven(piece, air, DAYS)
    fields = timbers.PHYSICS[piece.physics].dry(piece.law, piece.level, place, drive)
    parts = grid.parts_pct(fields, piece.width_mm, piece.depth_mm)
    along = truth.ENDS_M2_S * piece.level * piece.end_ratio * drive.warm(40e3)
    left, usual = ends.left(piece.length_mm, along, sealed=piece.ends_sealed), float(drive.emc_pct.mean())
    kept = np.arange(0, DAYS + 1, truth.EVERY_DAYS)
    return truth.Truth(
        piece=piece, **{f"{name}_pct": parts[name] for name in ("mean", "shell", "core")},
        whole_pct=usual + (parts["mean"] - usual) * left, wood_c=drive.wood_c[::STEPS_A_DAY], kept_days=kept,
        fields_pct=fields[kept].astype(np.float32), air=air, record=record,
    )  # fmt: skip


def alike(number):
    """Numbers of the timbers that a yard's lot is drawn from: of one wood and physics, none kept out."""
    physics, kind = PHYSICS[number % 3], timbers.KINDS[(number // 3) % 4].name
    known = (
        n
        for n in range(4000)
        if timbers.physics_of(n, second=False) == physics
        and timbers.meter_of(n, second=False) != HELD_OUT_METER
    )
    return [n for n in known if timbers.KINDS[(n // 4 + n // 16) % len(timbers.KINDS)].name == kind]


def drawn(number, count, *, shared):
    """Timbers of one yard, all of one lot, its air and its record; the last is the one that nobody reads."""
    rng = np.random.default_rng([101, number])
    picked = rng.choice(alike(number), count + 1, replace=False)
    pieces = [timbers.piece(int(n), second=False) for n in picked]
    first = pieces[0]
    air = climates.weather(rng, first.climate, first.arrived_s, DAYS * STEPS_A_DAY)
    record, level = climates.recorded(rng, air, first.arrived_s), rng.normal(0, LOTS_SD)
    found = []
    for each in pieces:
        ln_d = level + rng.normal(0, TREES_SD) if shared else rng.normal(0, NOTHING_SD)
        of_yard = replace(
            each, level=float(np.exp(ln_d)) * each.kind.speed, climate=first.climate,
            arrived_s=first.arrived_s, dried_days=0, told_green_pct=None,
            meter=replace(first.meter, fsp_pct=each.fsp_pct),
            conductance_m_s=first.conductance_m_s * float(np.exp(rng.normal(0, SHED_LN_SD))),
            emc_offset_pct=first.emc_offset_pct + float(rng.normal(0, SHED_EMC_SD)),
        )  # fmt: skip
        found.append(of_yard)
    return found, air, record


def lot(number, count, *, shared):
    """Truths of the timbers of one yard."""
    pieces, air, record = drawn(number, count, shared=shared)
    return [true_of(each, air, record) for each in pieces]


def fingerprint(file=__file__):
    """Hash of this module, whatever its layout and comments: `truth.fingerprint` knows nothing of it."""
    tree = ast.parse(Path(file).read_text(encoding="utf-8"))
    return hashlib.sha256(ast.dump(tree).encode()).hexdigest()[:8]


def kept(number, count, *, shared):
    """The same, from its file if there is one."""
    name = f"lot-{fingerprint()}-{'shared' if shared else 'nothing'}-{number}-{count}.pickle"
    file = truth.folder() / name
    if file.exists():
        with file.open("rb") as stream:
            return pickle.load(stream)  # noqa: S301 - our own file
    made = lot(number, count, shared=shared)
    file.write_bytes(pickle.dumps(made, protocol=5))
    return made


def asked(number, count, nights, *, shared):
    """What the last timber of a yard is told of its mean half a year ahead, with the yard and without."""
    from baulk.ingest import config  # noqa: PLC0415
    from baulk.ingest import shop as shops  # noqa: PLC0415
    from baulk.ingest.evaluation import compute, gather, yard_memory, yard_prior  # noqa: PLC0415
    from honesty import shop_run  # noqa: PLC0415

    truths = kept(number, count, shared=shared)
    new = truths[-1]
    with tempfile.TemporaryDirectory(prefix="baulk-honesty-") as folder:
        where = shops.init(Path(folder) / "shop", name="Honesty", units="metric")
        temp, rh = climates.monthly(new.piece.climate)
        with (where / config.FILE).open("a", encoding="utf-8") as settings:
            settings.write(f"\n[climate]\ntemp_c = {temp}\nrh_pct = {rh}\n")
        with shops.open(where) as shop:
            for each in truths:
                operations.add_timber(
                    shop, shop_run.registered(each.piece), now_utc=shop_run.moment(each.piece, 0), sure=True
                )
            for each in truths[:-1]:
                one = shop_run.Yard(shop=shop, piece=each.piece, truth=each, noted=observed.readings(each))
                one.air_from = 0 if each is truths[0] else each.record.posix_s.size
                one.until(DRIED)
            for night in range(nights):
                now = shop_run.moment(new.piece, DRIED + night)
                yard_memory.refresh(shop, now)
                for each in truths[:-1]:
                    inputs = gather.gather(each.piece.tag, shop, now)
                    note = yard_prior.found(inputs, compute.fitted_to(inputs))
                    if note is not None:
                        shop.store.note(yard_memory.found_key(each.piece.tag), note)
            now = shop_run.moment(new.piece, DRIED + nights)
            yard_memory.refresh(shop, now)
            inputs = gather.gather(new.piece.tag, shop, now)
            told = {}
            for name, known in (("alone", None), ("yard", inputs.yard)):
                given = replace(inputs, yard=known)
                ahead = compute.coming(given, compute.fitted_to(given))
                at = int(np.argmin(np.abs(ahead.posix_s - now.timestamp() - AHEAD * DAY_S)))
                told[name] = [round(float(each), 2) for each in ahead.mean_pct[:, at]]
            day = (float(ahead.posix_s[at]) - new.piece.arrived_s) / DAY_S
            known = {} if inputs.yard is None else inputs.yard.rows
            rows = {key: [round(row.mean, 3), round(row.sd, 3), row.timbers] for key, row in known.items()}
    return {
        "number": number, "physics": new.piece.physics, "kind": new.piece.kind.name,
        "truth": round(new.at("mean", day), 2), **told, "prior": rows,
    }  # fmt: skip


def figures(rows, name):
    """Coverage, width and interval score of the 90 % intervals, the median's error and bias."""
    low, middle, high = (np.array([row[name][i] for row in rows]) for i in (0, 2, 4))
    true = np.array([row["truth"] for row in rows])
    score = high - low + 20 * (np.maximum(low - true, 0) + np.maximum(true - high, 0))
    return {
        "covers": np.mean((low <= true) & (true <= high)), "width": np.mean(high - low),
        "score": np.mean(score), "error": np.median(abs(middle - true)), "bias": np.mean(middle - true),
    }  # fmt: skip


def narrower(rows):
    """By how much the intervals are narrower with the yard: of all yards together, and of the middle one."""
    told = {name: np.array([row[name][4] - row[name][0] for row in rows]) for name in ("alone", "yard")}
    return 1 - told["yard"].sum() / told["alone"].sum(), 1 - np.median(told["yard"] / told["alone"])


def tell(rows):
    """Print how the yard served."""
    for name in ("alone", "yard"):
        told = figures(rows, name)
        print(
            f"{name:6s} covers {told['covers']:4.0%}, width {told['width']:5.1f}, "
            f"score {told['score']:5.1f}, median error {told['error']:4.2f}, bias {told['bias']:+5.2f}"
        )
    whole, middle = narrower(rows)
    print(f"narrower with the yard: {whole:.0%} of the mean width, {middle:.0%} in the middle yard")


def main(words=None):
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--yards", type=int, default=12)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--timbers", type=int, default=10, help="of the lot that were read")
    parser.add_argument("--nights", type=int, default=1, help="on which the yard is gone through")
    parser.add_argument("--nothing-shared", action="store_true", help="trees that share nothing")
    parser.add_argument("--save", help="file for the rows")
    args = parser.parse_args(words)
    rows = []
    for number in range(args.first, args.first + args.yards):
        rows.append(asked(number, args.timbers, args.nights, shared=not args.nothing_shared))
        print(json.dumps(rows[-1]), flush=True)
    if args.save:
        Path(args.save).write_text(json.dumps(rows), encoding="utf-8")
    tell(rows)


if __name__ == "__main__":
    main()
