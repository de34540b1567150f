"""The program of now and of an earlier commit on the same timbers: scores and their ratio.

Sixty timbers leave a ratio of scores uncertain, for a few carry a third of the sum; so this asks many, about
moisture alone. Both programs are driven through the door that the bench had for each: `shop_run` of now, and
for one from before the bench `shop_run` as it was when the bench came.

python tests/bench/honesty/against.py --commit 95de4ad --first 260 --timbers 240 --save rows.jsonl
python tests/bench/honesty/against.py --show rows.jsonl
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[1]))

from honesty import HELD_OUT_METER, HELD_OUT_PHYSICS, scores, timbers

DOOR = "ad8c916"  # the bench came with this commit, while the program's interface was still that of 0.1.0
DRAWS = 4000
AHEAD = 180


def served(door):
    """Answer numbers of timbers, a line each, with lines of rows: the life of a child."""
    if door:
        spec = importlib.util.spec_from_file_location("honesty.shop_run", door)
        module = importlib.util.module_from_spec(spec)
        sys.modules["honesty.shop_run"] = module
        spec.loader.exec_module(module)
    from honesty import rows  # noqa: PLC0415 - whoever only reads rows needs no program

    for line in sys.stdin:
        moisture, _ = rows.follow(int(line), moved=False)
        print(json.dumps(moisture), flush=True)


def child(path, door=None):
    """Start a program of its own process, to be asked by number."""
    words = [sys.executable, __file__, "--serve", *([] if door is None else [str(door)])]
    env = {**os.environ, "PYTHONPATH": path}
    return subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=env)


def ask(program, number):
    program.stdin.write(f"{number}\n")
    program.stdin.flush()
    return json.loads(program.stdout.readline())


def asked(commit, numbers, save, *, names=("now", "before")):
    """Ask the programs about each timber in turn, and write their rows as they come."""
    import versions  # noqa: PLC0415 - beside the bench, and only needed here

    with tempfile.TemporaryDirectory() as folder:
        programs = {}
        if "now" in names:
            programs["now"] = child(versions.tree(Path(folder) / "now", versions.ROOT))
        if "before" in names:
            door = Path(folder) / "shop_run.py"
            words = ["git", "-C", versions.ROOT, "show", f"{DOOR}:tests/bench/honesty/shop_run.py"]
            door.write_bytes(subprocess.run(words, check=True, capture_output=True).stdout)
            programs["before"] = child(versions.earlier(Path(folder) / "before", commit), door)
        with Path(save).open("a", encoding="utf-8") as stream:
            for number in numbers:
                found = {name: ask(each, number) for name, each in programs.items()}
                stream.write(json.dumps({"number": number, **found}) + "\n")
                stream.flush()
        for each in programs.values():
            each.stdin.close()
            each.wait()


def read(file):
    """Rows of both programs as tables of scores, only where both answered."""
    lines = [json.loads(each) for each in Path(file).read_text(encoding="utf-8").splitlines()]
    tables = [
        scores.frame([row for line in lines for row in line.get(name, [])]) for name in ("before", "now")
    ]
    keys = ["number", "months", "part", "horizon"]
    kept = [each.set_index(keys) for each in tables]
    same = kept[0].index.intersection(kept[1].index)
    return tuple(each.loc[same].reset_index() for each in kept)


def sums(table):
    """Sum of the interval scores of each timber, and of how many answers, by part."""
    ahead = table[table["horizon"] == AHEAD]
    return ahead.pivot_table(index="number", columns="part", values="winkler", aggfunc="sum")


def ratios(before, now, rng=None):
    """Ratio of the scores by part, with the interval that drawing whole timbers anew gives it."""
    rng = rng or np.random.default_rng(0)
    old, new = sums(before), sums(now)
    drawn = rng.integers(0, len(old), (DRAWS, len(old)))
    lines = {}
    for part in ("mean", "core", "shell"):
        a, b = old[part].to_numpy(), new[part].to_numpy()
        again = b[drawn].sum(axis=1) / a[drawn].sum(axis=1)
        low, high = np.quantile(again, (0.05, 0.95))
        lines[part] = {
            "timbers": len(old),
            "before": before.query("part == @part and horizon == @AHEAD")["winkler"].mean(),
            "now": now.query("part == @part and horizon == @AHEAD")["winkler"].mean(),
            "ratio": b.sum() / a.sum(),
            "low": low,
            "high": high,
            "sd": again.std(),
            "worst tenth": np.sort(b)[-max(1, len(b) // 10) :].sum() / b.sum(),
        }
    return pd.DataFrame(lines).T


def tell(file):
    """Print the ratios, over all timbers and without those of what was kept out of tuning."""
    before, now = read(file)
    for name, chosen in (("all", [True, False]), ("not kept out of tuning", [False]), ("kept out", [True])):
        pair = [each[each["held_out"].isin(chosen)] for each in (before, now)]
        print(f"\n{AHEAD} days ahead, {name}\n{ratios(*pair).round(3).to_string()}")
        held = [each[each["horizon"] == AHEAD].groupby("part")["in90"].mean() for each in pair]
        print(f"90 % holds\n{pd.DataFrame(held, index=['before', 'now']).round(3).to_string()}")


def main(words=None):
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--commit", default="95de4ad", help="the earlier program")
    parser.add_argument("--first", type=int, default=260, help="the first number")
    parser.add_argument("--timbers", type=int, default=240, help="how many")
    parser.add_argument("--only", choices=("now", "before"), help="ask one program alone")
    parser.add_argument("--without-held-out", action="store_true", help="leave out what is not tuned to")
    parser.add_argument("--save", default="against.jsonl", help="file to which rows are added")
    parser.add_argument("--show", help="print the ratios of saved rows")
    parser.add_argument("--serve", nargs="?", const="", help=argparse.SUPPRESS)
    args = parser.parse_args(words)
    if args.serve is not None:
        served(args.serve)
    elif args.show:
        tell(args.show)
    else:
        numbers = range(args.first, args.first + args.timbers)
        if args.without_held_out:
            numbers = [
                each
                for each in numbers
                if timbers.physics_of(each) != HELD_OUT_PHYSICS and timbers.meter_of(each) != HELD_OUT_METER
            ]
        asked(args.commit, numbers, args.save, names=(args.only,) if args.only else ("now", "before"))
        if not args.only:
            tell(args.save)


if __name__ == "__main__":
    main()
