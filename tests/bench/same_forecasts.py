"""Whether two versions of the program give the same answers, and what they cost: the same inputs to both.

python tests/bench/same_forecasts.py gather FOLDER
PYTHONPATH=OLD python tests/bench/same_forecasts.py answer FOLDER old.json
PYTHONPATH=OLD python tests/bench/same_forecasts.py answer FOLDER disturbed.json --disturbed
PYTHONPATH=NEW python tests/bench/same_forecasts.py answer FOLDER new.json
python tests/bench/same_forecasts.py compare old.json disturbed.json new.json

`gather` keeps what an evaluation is made of: 24 timbers of the independent bench after nine months, hearts
anywhere, and the 8 of the invented yard. `answer` works them out with the version on the path, on one thread;
`--disturbed` multiplies each mean over a section by 1 + 1e-14, which shows how much rounding alone moves an
answer; with `--error PCT` each step of every run may err by that. `compare`
holds each further file against the first: the largest difference of a quantile of mean, shell and core now
and over two years, probabilities, steps that turned, and processor time. What it cannot find: a fault that
both versions have.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

BENCH_TIMBERS, DAY = 24, 274
YARD_NOW = datetime(2026, 6, 1, 9, tzinfo=UTC)
PARTS = ("mean", "shell", "core")
TOLD_MORE = 0.02  # points of moisture
PROBABLY_MORE = 0.01


def of_the_bench(folder):
    from honesty import observed, shop_run, truth  # noqa: PLC0415 - only to gather

    from baulk.ingest.evaluation import gather, parcel  # noqa: PLC0415

    for number in range(BENCH_TIMBERS):
        file = folder / f"bench-{number:02d}"
        if file.exists():
            continue
        true = truth.get(number)
        with shop_run.yard(true, observed.readings(true)) as yard:
            yard.until(DAY)
            inputs = gather.gather(true.piece.tag, yard.shop, shop_run.moment(true.piece, DAY))
        file.write_bytes(parcel.packed(inputs))
        print(file.name, flush=True)


def of_the_invented_yard(folder):
    from baulk.ingest import pipeline, shop  # noqa: PLC0415
    from baulk.ingest.demo import shed, yard  # noqa: PLC0415
    from baulk.ingest.evaluation import gather, parcel  # noqa: PLC0415
    from baulk.ingest.wire.message import RawMessage  # noqa: PLC0415

    pieces = yard.pieces(YARD_NOW)
    where = folder / "shop"
    if not where.exists():
        shop.init(where, name=yard.SHOP)
    with shop.open(where) as its:
        if not its.register.tags():
            for each in pieces:
                its.register.add(each.timber)
            for last, messages in shed.Shed(pieces, YARD_NOW).days():
                for each in messages:
                    raw = RawMessage(
                        topic=each.topic, payload=each.payload, arrived_utc=datetime.fromtimestamp(last, UTC)
                    )
                    pipeline.handle(raw, its)
        for each in pieces:
            inputs = gather.gather(each.timber.tag, its, YARD_NOW)
            (folder / f"yard-{each.timber.tag}").write_bytes(parcel.packed(inputs))


def disturbed():
    """Make a rounding in each mean over a section."""
    from baulk.models.field import MoistureField  # noqa: PLC0415

    usual = MoistureField._mean
    MoistureField._mean = lambda field, weight: usual(field, weight) * (1 + 1e-14)


def finer(error_pct):
    """Let every run step as finely as that."""
    from baulk.models.drying import solver  # noqa: PLC0415

    for each in (solver.dry, solver.dry_with_balance):
        each.__kwdefaults__["error_pct"] = error_pct


def answer(folder, out):
    from baulk.ingest.evaluation import compute, parcel  # noqa: PLC0415

    files = sorted(each for each in folder.iterdir() if each.is_file())
    compute.answer(
        parcel.opened(files[0].read_bytes()), 1
    )  # what is compiled and read is so before the clock
    found = {}
    for file in files:
        inputs = parcel.opened(file.read_bytes())
        begun = time.process_time()
        made = compute.answer(inputs, 1)
        took = time.process_time() - begun
        assert made.failed is None, made.failed
        found[file.name] = {"processor_s": took, "answer": json.loads(made.to_json())}
    out.write_text(json.dumps(found), encoding="utf-8")


def difference(old, new):
    """Largest difference by part, of a probability, and whether the step turned."""
    apart = {}
    for part in PARTS:
        pair = [np.array(each["forecast"][f"{part}_pct"]) for each in (old, new)]
        now = [np.array(list(each[f"{part}_now_pct"].values()), float) for each in (old, new)]
        apart[part] = float(max(np.abs(pair[0] - pair[1]).max(), np.abs(now[0] - now[1]).max()))
        apart[f"{part} median"] = float((pair[1] - pair[0])[2].mean())
    chances = [each["verdict"]["probability"] for each in (old, new)]
    apart["probability"] = max((abs(chances[0][key] - chances[1].get(key, 0.0)) for key in chances[0]),
                               default=0.0)  # fmt: skip
    return apart, old["verdict"]["step"] != new["verdict"]["step"]


def compare(files):
    first, *others = (json.loads(Path(each).read_text(encoding="utf-8")) for each in files)
    for name, other in zip(files[1:], others, strict=True):
        kept = [tag for tag in first if tag in other]
        found = [difference(first[tag]["answer"], other[tag]["answer"]) for tag in kept]
        each = {key: np.array([apart[key] for apart, _ in found]) for key in found[0][0]}
        most = np.max([each[part] for part in PARTS], axis=0)
        print(f"{name}, {len(kept)} timbers: " + ", ".join(
            f"{part} {each[part].max():.3f} (middle one {np.median(each[part]):.3f}, median leans by "
            f"{each[f'{part} median'].mean():+.4f})" for part in PARTS
        ))  # fmt: skip
        print(f"  more than {TOLD_MORE} points: {(most > TOLD_MORE).sum()}; a probability by more than "
              f"{PROBABLY_MORE}: {(each['probability'] > PROBABLY_MORE).sum()} (largest "
              f"{each['probability'].max():.3f}); steps that turned: "
              f"{sum(turned for _, turned in found)}")  # fmt: skip
        before, after = (
            np.array([one[tag]["processor_s"] for tag in kept]) for one in (first, other)
        )  # fmt: skip
        print(
            f"  processor time {after.sum():.1f} s for {before.sum():.1f} ({after.sum() / before.sum():.3f})"
        )


def main():
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("what", choices=("gather", "answer", "compare"))
    parser.add_argument("paths", nargs="+")
    parser.add_argument("--disturbed", action="store_true")
    parser.add_argument("--error", type=float)
    args = parser.parse_args()
    if args.what == "gather":
        folder = Path(args.paths[0])
        folder.mkdir(parents=True, exist_ok=True)
        of_the_invented_yard(folder)
        of_the_bench(folder)
    elif args.what == "answer":
        if args.disturbed:
            disturbed()
        if args.error:
            finer(args.error)
        answer(Path(args.paths[0]), Path(args.paths[1]))
    else:
        compare(args.paths)


if __name__ == "__main__":
    main()
