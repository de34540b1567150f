"""Ask the program about timbers whose truth shares nothing with it, and print how its word was kept.

python tests/bench/honesty/run.py --timbers 60 --without-held-out --save rows.json
python tests/bench/honesty/run.py --only 12 --history 9
python tests/bench/honesty/run.py --second --timbers 30
python tests/bench/honesty/run.py --room --timbers 60
python tests/bench/honesty/run.py --compare before.json after.json
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).parents[1]))

from honesty import HELD_OUT_METER, HELD_OUT_PHYSICS, bands, plots, scores, timbers

PHYSICS = dict(zip("abcde", timbers.PHYSICS, strict=True))


def chosen(args):
    """Numbers of the timbers that were asked for."""
    names = {PHYSICS.get(each, each) for each in args.physics.split(",")} if args.physics else None
    meters = set(args.meter.split(",")) if args.meter else None
    found = []
    first = args.first + (timbers.SECOND_FROM if args.second else 0)
    for number in range(first, first + args.timbers):
        physics, meter = timbers.physics_of(number), timbers.meter_of(number)
        if args.without_held_out and (physics == HELD_OUT_PHYSICS or meter == HELD_OUT_METER):
            continue
        if (names is None or physics in names) and (meters is None or meter in meters):
            found.append(number)
    return found[: args.only] if args.only else found


def one_core(taken):
    """Give each worker a core of its own, so that the compiled core does not fight for both."""
    if hasattr(os, "sched_setaffinity"):
        cores = sorted(os.sched_getaffinity(0))
        with taken.get_lock():
            taken.value += 1
            os.sched_setaffinity(0, {cores[taken.value % len(cores)]})


def job(number, histories, readings, moved):
    from honesty import rows  # noqa: PLC0415 - the program is loaded by those who ask it

    return rows.follow(number, histories=histories, readings=readings, moved=moved)


def square_job(number):
    from honesty import asking  # noqa: PLC0415

    return asking.until_square(number)


def room_job(number):
    from honesty import room  # noqa: PLC0415

    return room.asked(number)


def mapped(work, numbers, workers=2):
    """Rows of many timbers, a list of rows from each."""
    context = get_context("spawn")
    with ProcessPoolExecutor(
        workers,
        mp_context=context,
        initializer=one_core,
        initargs=(context.Value("i", 0),),
    ) as pool:
        return [row for rows in pool.map(work, numbers) for row in rows]


def squared(numbers, workers=2):
    """Rows of asking every four weeks until the first yes, free of heart only."""
    return mapped(square_job, [each for each in numbers if not timbers.piece(each).boxed], workers)


def tell_room(rows):
    for day in sorted({each["day"] for each in rows}):
        known = [each for each in rows if each["day"] == day and each["told_out"] is not None]
        show(
            f"day {day}: told that the piece comes out, and what did",
            scores.chances(known, "told_out", "comes_out"),
        )
    for boxed in (False, True):
        known = [each for each in rows if each["boxed"] is boxed and each["told_out"] is not None]
        name = "boxed" if boxed else "free of heart"
        show(f"the same at any day, {name}", scores.chances(known, "told_out", "comes_out"))
    known = [each for each in rows if each["told_out"] is not None]
    show(
        "the same, of pieces whose checks must be planed away too", scores.chances(known, "told_out", "clean")
    )
    known = [each for each in rows if each["told_torn"] is not None]
    show("told that the surface is asked for too much within a fortnight, and what tore",
         scores.chances(known, "told_torn", "torn"))  # fmt: skip


def tell_squared(rows):
    show(
        "asked every four weeks until the first yes, free of heart",
        scores.squaring(rows).to_frame(""),
    )
    told = [row["probability"] for row in rows]
    for name, words in (("holds", "in build and service"), ("holds_in_service", "in service alone")):
        show(f"told and held, {words}", scores.reliability(told, [row[name] for row in rows]))


def asked(numbers, *, histories=(3, 9, 15), readings=True, moved=True, workers=2):
    """Moisture rows of many timbers and, if asked for, movement rows."""
    context = get_context("spawn")
    moisture, movement = [], []
    with ProcessPoolExecutor(
        workers,
        mp_context=context,
        initializer=one_core,
        initargs=(context.Value("i", 0),),
    ) as pool:
        work = partial(job, histories=tuple(histories), readings=readings, moved=moved)
        for one, other in pool.map(work, numbers):
            moisture += one
            movement += other
    return moisture, movement


def show(title, table):
    print(f"\n{title}")
    print(table.round(2).to_string())


def tell(moisture, movement):
    """Print the tables."""
    table = scores.frame(moisture)
    left_out = sorted({(row["number"], row["failed"]) for row in movement if "failed" in row})
    print(f"{table['number'].nunique()} timbers, {len(movement)} answers, "
          f"{median(row['cpu_s'] for row in movement if 'cpu_s' in row):.2f} s of one core each")  # fmt: skip
    for number, why in left_out:
        print(f"no answer for {number}: {why}")
    show("by horizon (points of moisture; wet: share of truths above the median)",
         scores.summary(table, ["part", "horizon"]))  # fmt: skip
    for by in (
        "physics",
        "months",
        "band",
        "meter",
        "weighed",
        "kind",
        "climate",
        "half_dried",
    ):
        show(f"180 days ahead, by {by}", scores.pivot(table, by))
    for by in ("physics", "band"):
        show(f"now, by {by}", scores.pivot(table, by, 0))
    show("180 days ahead, by band of the true core, and what an honest forecast as wide would show there",
         bands.by_truth(table))  # fmt: skip
    show("180 days ahead, by band of the core as it was told", bands.by_told(table))
    show(
        "180 days ahead, where among the told quantiles the truths lie, % (honest: 5 20 25 25 20 5)",
        scores.ranks(table),
    )
    show(
        "180 days ahead, median errors beside plain rules",
        scores.against_baselines(table),
    )
    moved = scores.movement(movement)
    show("movement in service, were it squared that day (the heart of a boxed one checks)",
         scores.movement_summary(moved, ["boxed"]))  # fmt: skip
    show(
        "the same by months, free of heart",
        scores.movement_summary(moved[~moved["boxed"]], ["months"]),
    )
    for boxed, name in ((False, "free of heart"), (True, "boxed")):
        group = moved[(moved["boxed"] == boxed) & moved["probability"].notna()]
        show(f"probability of `square` against the truth's own movement in build and service, {name}",
             scores.reliability(group["probability"], group["holds"]))  # fmt: skip
        for what, true in (("settling", "truth_mm"), ("build", "build_mm")):
            if (told := group[f"told {what}"].dropna()).size:
                stays = group.loc[told.index, true] <= group.loc[told.index, "tolerance_mm"]
                show(
                    f"told that it stays within its tolerance: {what}, {name}",
                    scores.reliability(told, stays),
                )


def show_saved(args):
    """Print the tables of saved rows, and draw them."""
    kept = {
        name: [row for row in rows if not (args.without_held_out and row["held_out"])]
        for name, rows in read(args.show).items()
    }
    tell_all(kept)
    if args.plot and "square" in kept:
        plots.squaring(kept["square"], args.plot)
    elif args.plot:
        plots.quantiles(kept["moisture"], args.plot)


def read(path):
    return json.loads(Path(path).read_text(encoding="utf-8"))


def compare(before, after, *, without_held_out):
    """Print scores after over before on the same timbers."""
    tables = [scores.frame(read(path)["moisture"]) for path in (before, after)]
    if without_held_out:
        tables = [each[~each["held_out"]] for each in tables]
    for horizon in (0, 30, 180, 360):
        show(f"{horizon} days ahead", scores.compared(*tables, horizon))


def main(words=None):
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--timbers", type=int, default=60, help="numbers to choose from")
    parser.add_argument("--first", type=int, default=0, help="the first number")
    parser.add_argument("--second", action="store_true", help="count from 1000: the second kept-out set")
    parser.add_argument("--only", type=int, help="stop after so many")
    parser.add_argument("--physics", help="a,b,c,d,e or their names")
    parser.add_argument("--meter", help="smooth,capped,logarithmic,levelling")
    parser.add_argument("--history", default="3,9,15", help="months")
    parser.add_argument("--without-held-out", action="store_true", help="leave out what is not tuned to")
    parser.add_argument("--without-readings", action="store_true", help="the prior alone")
    parser.add_argument(
        "--square",
        action="store_true",
        help="ask every four weeks until the first yes instead",
    )
    parser.add_argument(
        "--room", action="store_true", help="pieces that hardly fit, and the surface, instead"
    )
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--save", help="file for the rows")
    parser.add_argument("--plot", help="with --show: a PNG file of reliability")
    parser.add_argument("--show", help="print the tables of saved rows")
    parser.add_argument(
        "--compare",
        nargs="+",
        help="saved rows before, and after if not those of this run",
    )
    args = parser.parse_args(words)
    if args.show:
        show_saved(args)
        return
    if args.compare and len(args.compare) == 2:
        compare(*args.compare, without_held_out=args.without_held_out)
        return
    begun = time.monotonic()
    if args.without_held_out:
        print(f"left out: physics {HELD_OUT_PHYSICS!r} and meter {HELD_OUT_METER!r}")
    found = made(args)
    if args.save:
        Path(args.save).write_text(json.dumps(found), encoding="utf-8")
    tell_all(found)
    print(f"\n{time.monotonic() - begun:.0f} s")
    if args.compare:
        before = scores.frame(read(args.compare[0])["moisture"])
        for horizon in (0, 180):
            show(f"against {args.compare[0]}, {horizon} days ahead",
                 scores.compared(before, scores.frame(found["moisture"]), horizon))  # fmt: skip


def made(args):
    """Ask as the arguments say: rows by what they are of."""
    numbers = chosen(args)
    if args.room:
        return {"room": mapped(room_job, numbers, args.workers)}
    if args.square:
        return {"square": squared(numbers, args.workers)}
    moisture, movement = asked(
        numbers,
        histories=[int(each) for each in args.history.split(",")],
        readings=not args.without_readings,
        workers=args.workers,
    )
    return {"moisture": moisture, "movement": movement}


def tell_all(rows):
    """Print the tables of whatever was asked."""
    if "room" in rows:
        tell_room(rows["room"])
    elif "square" in rows:
        tell_squared(rows["square"])
    else:
        tell(rows["moisture"], rows["movement"])


if __name__ == "__main__":
    main()
