"""A forecaster that knows the bench: how well could its timbers be told by who has seen hundreds of them?

It has no model of wood. It has the truths themselves: of every timber but the one asked about it knows what
the shop read and what came, and learns from these pairs what comes after what was read (a Gaussian process,
each timber told from all others). So it knows how the bench draws its truths, which no program may. What it
scores is no bound, but where it errs as much as the program on the same timbers, the readings did not say
more; and the bias that it has where truths turn out wettest is the one that any honest forecast has there.

python tests/bench/honesty/knowing.py --first 0 --timbers 384 --rows now.json --rows more.json
"""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.linalg import cho_factor, cho_solve

sys.path.insert(0, str(Path(__file__).parents[1]))

from honesty import baselines, climates, meters, observed, scores, timbers, truth

HISTORIES = {3: 91, 9: 274, 15: 456}
AHEAD = 180
PARTS = ("mean", "core", "shell")
AGAIN = 10_000  # added to a timber's number where its readings are drawn once more, with another meter
DRIEST_PCT = 6.0  # below every truth; errors go by what lies above it
SHORT, LONG = 0.5, 2.0  # of the lengths that are tried, over the root of how many features there are


def clues(true, noted, day):
    """Numbers that a person could work out of what the shop knows at a day."""
    piece, known = true.piece, [each for each in noted if each.day <= day]
    kind = [float(piece.kind.name == each.name) for each in timbers.KINDS]
    then = piece.arrived_s + climates.DAY_S * np.arange(day, day + AHEAD, 5.0)
    coming = float(np.mean(climates.equilibrium_pct(*climates.season(piece.climate, then))))
    found = [
        *kind, np.log(day), day / 100, coming, np.log(piece.width_mm * piece.depth_mm / 190**2),
        float(piece.ends_sealed), piece.told_green_pct or piece.kind.heart_pct,
        float(piece.told_green_pct is not None),
    ]  # fmt: skip
    for depth in piece.pins_mm:
        shown = np.array([each.value for each in known if each.what == "pins" and each.depth_mm == depth])
        parts = (shown[-4:], shown[: len(shown) // 2 + 1], shown)
        found += [part.mean() if part.size else piece.kind.fsp_pct for part in parts]
        found += [np.polyfit(np.arange(shown.size), shown, 1)[0] if shown.size > 3 else 0.0]
        found += [float(np.mean(shown < piece.kind.fsp_pct - 3)) if shown.size else 0.0]
    kilos = [(each.day, each.value) for each in known if each.what == "weight"]
    volume_m3 = piece.width_mm * piece.depth_mm * piece.length_mm / 1e9
    dense = piece.kind.basic_kg_m3 * volume_m3
    weighed = np.array(kilos).reshape(-1, 2)
    some = len(kilos) >= 2
    lost = np.log(weighed[-1, 1] / weighed[0, 1]) if some else 0.0
    late = np.polyfit(weighed[-4:, 0], np.log(weighed[-4:, 1]), 1)[0] * AHEAD if len(kilos) > 2 else 0.0
    found += [float(some), np.log(weighed[0, 1] / dense) if some else 0.0, lost, late]
    for part in PARTS:
        told = float(baselines.forecasts(piece, known, part, day, (AHEAD,))["exponential"][0])
        found.append(np.log(max(told - DRIEST_PCT, 1.0)) if np.isfinite(told) else np.log(20.0))
    return found


def drawn_again(true):
    """The same wood, read by another person with another meter."""
    number = true.piece.number
    rng = np.random.default_rng([29, number])
    meter = meters.draw(rng, timbers.meter_of(number + 1), true.piece.fsp_pct)
    return replace(
        true, piece=replace(true.piece, number=number + AGAIN, meter=meter, weighed=not true.piece.weighed)
    )


def lines(number):
    """What was read and what came, after each history: as it was, and as read once more."""
    true = truth.get(number)
    found = []
    for again, each in enumerate((true, drawn_again(true))):
        noted = observed.readings(each)
        found += [
            {
                "number": number, "months": months, "again": bool(again), "core_now": true.at("core", day),
                "clues": clues(each, noted, day), **{part: true.at(part, day + AHEAD) for part in PARTS},
            }
            for months, day in HISTORIES.items()
        ]  # fmt: skip
    return found


def covariance(x, of, length, noise):
    """Of a smooth part, a linear one, what lines of one timber share, and what they do not."""
    away = np.sum(x**2, axis=1)[:, None] + np.sum(x**2, axis=1) - 2 * x @ x.T
    smooth = np.exp(-0.5 * np.maximum(away, 0) / (length**2 * x.shape[1]))
    same = of[:, None] == of
    return smooth + 0.3 * (1 + x @ x.T) / x.shape[1] + noise * (0.9 * same + 0.1 * np.eye(len(of)))


def left_out(x, y, of, length, noise):
    """Mean and spread of every value told from those of all other timbers, and how probable they are.

    What a group would be told without itself comes from the inverse of the whole (Rasmussen and Williams
    2006, Gaussian processes for machine learning, 5.4.2, for one at a time; from memory).
    """
    turned = cho_solve(cho_factor(covariance(x, of, length, noise)), np.eye(len(y)))
    weight = turned @ y
    middle, spread = np.empty(len(y)), np.empty(len(y))
    for number in np.unique(of):
        at = np.flatnonzero(of == number)
        own = np.linalg.inv(turned[np.ix_(at, at)])
        middle[at], spread[at] = y[at] - own @ weight[at], np.sqrt(np.diag(own))
    scale = np.mean(((y - middle) / spread) ** 2)
    return middle, spread, float(-0.5 * np.log(scale) - np.mean(np.log(spread)))


def told(table, part):
    """The five quantiles of every line, each from the other timbers alone."""
    x = np.array(table["clues"].tolist())
    x = (x - x.mean(axis=0)) / np.maximum(x.std(axis=0), 1e-9)
    y = np.log(table[part].to_numpy() - DRIEST_PCT)
    y0, of = y.mean(), table["number"].to_numpy()
    tried = [
        left_out(x, y - y0, of, length, noise)
        for length in np.geomspace(SHORT, LONG, 4) for noise in (0.01, 0.03, 0.1)
    ]  # fmt: skip
    middle, spread, _ = max(tried, key=lambda each: each[2])
    off = (y - y0 - middle) / spread
    # how far off goes by the months and by how wet it is told: a line through the logarithms
    by = np.column_stack([np.ones(len(y)), np.log(table["months"]), middle, middle**2])
    share = np.exp(by @ np.linalg.lstsq(by, np.log(np.abs(off) + 0.05), rcond=None)[0])
    levels = np.quantile(off / share, scores.LEVELS)
    return DRIEST_PCT + np.exp(y0 + middle[:, None] + (spread * share)[:, None] * levels)


def table_of(found):
    """Rows as the bench scores them: of the readings as they were."""
    known = pd.DataFrame(found)
    rows = []
    for part in PARTS:
        quantiles = told(known, part)
        for i, line in enumerate(found):
            if not line["again"]:
                rows.append(
                    {
                        "number": line["number"], "months": line["months"], "part": part, "horizon": AHEAD,
                        "truth": line[part], "core_now": line["core_now"], "q": quantiles[i].tolist(),
                    }
                )  # fmt: skip
    return scores.frame(rows)


def main(words=None):
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--first", type=int, default=0, help="the first number")
    parser.add_argument("--timbers", type=int, default=384, help="how many truths it knows")
    parser.add_argument("--kept-only", action="store_true", help="only truths that are worked out already")
    parser.add_argument("--lines", help="file of what was read and what came, made if it is not there")
    parser.add_argument("--rows", action="append", default=[], help="rows of the program, to stand beside")
    args = parser.parse_args(words)
    file = args.lines and Path(args.lines)
    if file and file.exists():
        found = json.loads(file.read_text(encoding="utf-8"))
    else:
        numbers = [
            each
            for each in range(args.first, args.first + args.timbers)
            if not args.kept_only or (truth.folder() / f"{each:04d}.pickle").exists()
        ]
        found = [line for number in numbers for line in lines(number)]
        if file:
            file.write_text(json.dumps(found), encoding="utf-8")
    table = table_of(found)
    print(f"{table['number'].nunique()} timbers known")
    print(scores.summary(table, ["part"]).round(2).to_string())
    print(f"\nby band of the true core\n{scores.pivot(table, 'band').round(2).to_string()}")
    print(f"\nby months\n{scores.pivot(table, 'months').round(2).to_string()}")
    for each in args.rows:
        program = scores.frame(json.loads(Path(each).read_text(encoding="utf-8"))["moisture"])
        compared = scores.compared(table, program, AHEAD)
        print(f"\nthe program ({each}) after this on the same timbers\n{compared.round(3).to_string()}")


if __name__ == "__main__":
    main()
