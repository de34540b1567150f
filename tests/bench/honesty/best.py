"""The best that can be told of a timber: by one who knows how the bench draws its truths, and more besides.

Woods are drawn as the bench draws them and dried by the truth's own solver; each weighs as much as it makes
the readings probable. Told beforehand, and so better than any shop knows it, are the physics, the meter's
shape and top, all air to come, the temperature of the wood and how long it had lain: so what is left in
doubt is less than what an honest program is left with, and the interval score that it expects is one that no
program can be expected to beat on such timbers. Nothing of the program is used.

python tests/bench/honesty/best.py --numbers 11,20,32 --draws 300 --save best.jsonl
python tests/bench/honesty/best.py --show best.jsonl --rows now.json

With `--level-sd 0.65 --heart-sd 0.15` it believes that trees differ as much as the program does.
"""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from scipy.stats import multivariate_normal, norm

sys.path.insert(0, str(Path(__file__).parents[1]))

from honesty import climates, ends, grid, meters, observed, scores, timbers, truth
from honesty.climates import STEPS_A_DAY

HISTORIES = {3: 91, 9: 274, 15: 456}
AHEAD = 180
PARTS = ("mean", "core", "shell")
METERS = 150  # drawn for each wood, whose probabilities are averaged
DENSITY_SD, SECTION_SD_PCT, TIP_SD_MM = 0.08, 3.0, 1.5  # as `timbers` and `observed` draw them
ENOUGH = 15.0  # woods that count, as equal ones, for an interval to be trusted


@dataclass(frozen=True, kw_only=True)
class Differ:
    """How much trees of a wood differ: in ln D, and in the moisture of green heartwood as a share."""

    level_sd: float = timbers.LEVEL_SD
    heart_sd: float = 0.12


def drawn(piece, rng, differ):
    """The same piece of another tree, in another place of the same shed."""
    usual = next(each for each in timbers.KINDS if each.name == piece.kind.name)
    fsp = usual.fsp_pct + float(rng.normal(0, 2))
    corners = [
        np.hypot(x - piece.pith_mm[0], y - piece.pith_mm[1])
        for x in (-piece.width_mm / 2, piece.width_mm / 2)
        for y in (-piece.depth_mm / 2, piece.depth_mm / 2)
    ]
    share = rng.uniform(0.8, 1.0) if usual.softwood else rng.uniform(0.93, 1.1)
    factors = np.exp(rng.normal(0, 0.3, 4))
    factors[2] *= rng.uniform(0.15, 0.6)
    return replace(
        piece,
        law=timbers.PHYSICS[piece.physics].draw(rng, replace(usual, fsp_pct=fsp)),
        level=float(np.exp(rng.normal(0, differ.level_sd))) * usual.speed,
        heart_pct=float(usual.heart_pct * np.exp(rng.normal(0, differ.heart_sd))),
        sap_pct=float(usual.sap_pct * np.exp(rng.normal(0, 0.12))),
        heart_mm=float(share) * float(max(corners)),
        conductance_m_s=6e-8 * float(np.exp(rng.normal(0, 0.5))),
        faces=tuple(factors.tolist()),
        season=float(rng.uniform(0.0, 0.4)),
        emc_offset_pct=float(rng.normal(0, 0.8)),
        end_ratio=float(np.exp(rng.uniform(np.log(5), np.log(25)))),
        fsp_pct=fsp,
    )  # fmt: skip


def dried(piece, air, days):
    """Fields by day from arrival, mean of the whole timber by day."""
    total = days + piece.dried_days
    start, sapwood = truth.starting(piece)
    place = truth.Place(
        width_mm=piece.width_mm, depth_mm=piece.depth_mm, pith_mm=piece.pith_mm, start_pct=start,
        sapwood=sapwood,
    )  # fmt: skip
    steps = slice(0, total * STEPS_A_DAY)
    air = climates.Air(posix_s=air.posix_s[steps], temp_c=air.temp_c[steps], rh_pct=air.rh_pct[steps])
    drive = truth.driven(piece, air, total)
    fields = timbers.PHYSICS[piece.physics].dry(piece.law, piece.level, place, drive)[piece.dried_days :]
    along = truth.ENDS_M2_S * piece.level * piece.end_ratio * drive.warm(40e3)
    left = ends.left(piece.length_mm, along[piece.dried_days * STEPS_A_DAY :], sealed=piece.ends_sealed)
    usual, mean = float(drive.emc_pct.mean()), fields.mean(axis=(1, 2))
    return fields, usual + (mean - usual) * left


def met(piece, fields, pins, off_mm=0.0):
    """True moisture at the tips of every pin reading."""
    return np.array(
        [
            grid.pin_pct(
                fields[round(each.day)], piece.width_mm, piece.depth_mm, each.face, each.depth_mm + off_mm,
                piece.meter.bare_mm,
            )
            for each in pins
        ]
    )  # fmt: skip


def pins_ln(piece, at_tips, aside, shown, wood_c, rng):
    """ln of how probable each pin reading is under meters drawn for this wood: (METERS, readings)."""
    found = np.empty((METERS, shown.size))
    for i in range(METERS):
        meter = replace(
            meters.draw(rng, piece.meter.shape, piece.fsp_pct),
            top_pct=piece.meter.top_pct, corrects=piece.meter.corrects,
        )  # fmt: skip
        wet = 1 / (1 + np.exp(-(at_tips - meter.fsp_pct) / 2))
        sd = meter.scatter_pct + wet * (meter.wet_scatter_pct - meter.scatter_pct)
        middle = 15 + meter.stretch * (meters.curve(meter, at_tips) - 15) + meter.bias_pct
        if not meter.corrects:
            middle = middle + meters.PER_DEGREE_PCT * (wood_c - 20)
        sd = np.hypot(sd, np.abs(meters.curve(meter, aside) - meters.curve(meter, at_tips)))
        found[i] = norm.logpdf(shown, middle, sd)
        if meter.shape == "capped":
            ended = shown >= meter.top_pct - 0.06
            found[i, ended] = norm.logsf(meter.top_pct, middle[ended], sd[ended])
    return found


def weights_ln(piece, kilos, whole_pct):
    """ln of how probable the weighings are, whatever the density."""
    at_usual = observed.dry_kg(replace(piece, density_factor=1.0)) * (1 + whole_pct / 100)
    cover = DENSITY_SD**2 + observed.SCALE_SD**2 * np.eye(kilos.size)
    return float(multivariate_normal.logpdf(np.log(kilos / at_usual), np.zeros(kilos.size), cover))


def known_by(noted, what, day):
    return [each for each in noted if each.what == what and each.day <= day]


def woods(true, count, differ):
    """Of every wood drawn: ln of how probable the readings by each history are, and what comes after."""
    piece, noted, last = true.piece, observed.readings(true), max(HISTORIES.values())
    pins, kilos = known_by(noted, "pins", last), known_by(noted, "weight", last)
    shown = np.array([each.value for each in pins])
    wood_c = np.interp([each.day for each in pins], np.arange(true.wood_c.size), true.wood_c)
    told_at = np.array([day + AHEAD for day in HISTORIES.values()])
    found = []
    for i in range(count):
        rng = np.random.default_rng([31, piece.number, i])
        each = drawn(piece, rng, differ)
        fields, whole = dried(each, true.air, last + AHEAD)
        tips = met(each, fields, pins)
        aside = met(each, fields, pins, TIP_SD_MM) if piece.meter.driven_anew else tips
        by_meter = pins_ln(each, tips, aside, shown, wood_c, rng)
        parts = grid.parts_pct(fields[told_at], piece.width_mm, piece.depth_mm)
        row = {part: parts[part].tolist() for part in PARTS}
        row["ln"] = []
        for day in HISTORIES.values():
            seen = np.array([one.day <= day for one in pins], bool)
            sums = by_meter[:, seen].sum(axis=1)
            ln = float(np.logaddexp.reduce(sums) - np.log(METERS))
            if weighed := [one for one in kilos if one.day <= day]:
                at = [round(one.day) for one in weighed]
                ln += weights_ln(each, np.array([one.value for one in weighed]), whole[at])
            if piece.told_green_pct is not None:
                ln += float(norm.logpdf(piece.told_green_pct, fields[0].mean(), SECTION_SD_PCT))
            row["ln"].append(ln)
        found.append(row)
    return found


def weighted_quantiles(values, weight, levels=scores.LEVELS):
    order = np.argsort(values)
    total = np.cumsum(weight[order]) - weight[order] / 2
    return np.interp(levels, total, values[order])


def expected_score(values, weight):
    """Least interval score that is to be expected: mean of the upper twentieth less that of the lower."""
    order = np.argsort(values)
    share, each = weight[order], values[order]
    below = np.cumsum(share) - share
    low = np.clip(0.05 - below, 0, share)
    high = np.clip(below + share - 0.95, 0, share)
    return float((high @ each) / high.sum() - (low @ each) / low.sum())


def told(number, count, differ):
    """Rows of one timber: what is told after each history, and how many woods it hangs on."""
    true = truth.get(number)
    found = woods(true, count, differ)
    rows = []
    for k, (months, day) in enumerate(HISTORIES.items()):
        ln = np.array([each["ln"][k] for each in found])
        weight = np.exp(ln - ln.max())
        weight /= weight.sum()
        for part in PARTS:
            values = np.array([each[part][k] for each in found])
            rows.append(
                {
                    "number": number, "months": months, "part": part, "horizon": AHEAD,
                    "core_now": true.at("core", day), "truth": true.at(part, day + AHEAD),
                    "q": weighted_quantiles(values, weight).tolist(),
                    "expected": expected_score(values, weight), "woods": float(1 / np.sum(weight**2)),
                }
            )  # fmt: skip
    return rows


def show(rows, program):
    """Print what was told beside the program on the same timbers, where enough woods count."""
    table = scores.frame(rows)
    table = table[table["woods"] >= ENOUGH]
    print(f"{table['number'].nunique()} timbers, {len(table) // 3} histories with {ENOUGH:g} woods or more")
    names = ["in90", "bias", "width", "winkler", "expected", "woods"]
    for by in ([], ["months"]):
        print(table.groupby([*by, "part"])[names].mean().round(2).to_string(), "\n")
    if program is not None:
        keys = ["number", "months", "part", "horizon"]
        both = table.merge(
            scores.frame(program)[[*keys, "width", "winkler"]], on=keys, suffixes=("", " program")
        )
        lines = both.groupby("part")[
            ["width", "winkler", "expected", "width program", "winkler program"]
        ].mean()
        print(lines.assign(ratio=lines["expected"] / lines["winkler program"]).round(2).to_string())
        mean = both[both["part"] == "mean"]
        print(
            mean[[*keys[:2], "woods", "width", "expected", "width program", "winkler program"]]
            .round(1)
            .to_string()
        )


def main(words=None):
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--numbers", default="", help="timbers, with commas")
    parser.add_argument("--draws", type=int, default=300, help="woods drawn for each")
    parser.add_argument("--save", default="best.jsonl", help="file to which rows are added")
    parser.add_argument("--show", help="print what saved rows tell")
    parser.add_argument("--rows", help="rows of the program, to stand beside")
    parser.add_argument("--level-sd", type=float, default=timbers.LEVEL_SD, help="of ln D, from tree to tree")
    parser.add_argument("--heart-sd", type=float, default=0.12, help="of green heartwood, a share")
    args = parser.parse_args(words)
    differ = Differ(level_sd=args.level_sd, heart_sd=args.heart_sd)
    if not args.show:
        with Path(args.save).open("a", encoding="utf-8") as stream:
            for number in args.numbers.split(","):
                stream.write(json.dumps(told(int(number), args.draws, differ)) + "\n")
                stream.flush()
    lines = Path(args.show or args.save).read_text(encoding="utf-8").splitlines()
    program = json.loads(Path(args.rows).read_text(encoding="utf-8"))["moisture"] if args.rows else None
    show([row for line in lines for row in json.loads(line)], program)


if __name__ == "__main__":
    main()
