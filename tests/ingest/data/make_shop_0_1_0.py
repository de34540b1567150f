"""Make shop-0.1.0.zip with the program of commit 95de4ad, where version 0.1.0 first stood.

Run from a work tree of that commit, so that `baulk` and the helper `judging` of its tests/models are its own:

    python make_shop_0_1_0.py WORKTREE shop-0.1.0.zip

Every reading is invented: what that commit's drying model gives, with scatter.
"""

import dataclasses
import shutil
import sqlite3
import sys
import tempfile
import zipfile
from contextlib import closing
from datetime import timedelta
from pathlib import Path

import numpy as np

from baulk.ingest import operations

WORKTREE, TARGET = Path(sys.argv[1]), Path(sys.argv[2])
sys.path.insert(0, str(WORKTREE / "tests" / "models"))
import judging  # noqa: E402

from baulk.ingest import shop as shops  # noqa: E402
from baulk.ingest.evaluation import gather  # noqa: E402
from baulk.ingest.monitoring import notices  # noqa: E402
from baulk.ingest.planning import timber_ensembles  # noqa: E402
from baulk.models.reading import Owner, Quantity, Series  # noqa: E402
from baulk.models.timber import Event, EventKind  # noqa: E402

NOW, DAY = judging.NOW, timedelta(days=1)


def air(place, days, step=2):
    course = judging.shed(NOW - days * DAY, days)
    return [
        dataclasses.replace(
            judging.reading(judging.timber(), at_s, round(float(value), 1), quantity=Quantity.WEIGHT),
            series=Series(owner=Owner.AIR, name=place, quantity=quantity),
        )
        for quantity, values in ((Quantity.TEMP, course.temp_c), (Quantity.HUMIDITY, course.rh_pct))
        for at_s, value in zip(course.posix_s[::step], values[::step], strict=True)
    ]


def piece(tag, days, **more):
    fields = {key: more.pop(key) for key in ("place", "use_class", "ends_sealed") if key in more}
    return dataclasses.replace(judging.timber(days, **more), tag=tag, **fields)


def readings(timber, days, *, d_factor, start, dry_kg=None, every=21, depths=(12.0, 40.0)):
    course = judging.shed(timber.arrived_utc, days)
    at_s = NOW.timestamp() - judging.DAY_S * np.arange(days - 2, 3, -every)
    fields = judging.truth(timber, course, at_s, d_factor=d_factor, start=start)
    found = judging.pins(timber, fields, depths=depths, seed=days)
    if dry_kg is not None:
        found += [
            dataclasses.replace(each, source="hand")
            for each in judging.weights(timber, fields, dry_kg=dry_kg, seed=days + 1)
        ]
    return [dataclasses.replace(each, value=round(each.value, 2)) for each in found]


def fill(shop):
    shop.store.append(air("shed", 500))
    yard = [
        (piece("FER-01", 300, side=150.0, finished=110.0), {"d_factor": 0.7, "start": 70.0}),
        (
            piece("FER-02", 600, side=100.0, finished=75.0, use_class="frame-outdoors"),
            {"d_factor": 2.5, "start": 60.0, "dry_kg": 16.0},
        ),
        (
            piece("FER-03", 400, side=150.0, finished=110.0, ends_sealed=True),
            {"d_factor": 1.4, "start": 62.0, "dry_kg": 36.0},
        ),
        (piece("FER-04", 20, place="boathouse"), {"d_factor": 1.0, "start": 75.0, "every": 7}),
        (
            piece("FER-05", 300, side=130.0, finished=100.0),
            {"d_factor": 2.0, "start": 60.0},
        ),
        (piece("FER-06", 500), {"d_factor": 1.5, "start": 65.0, "every": 60}),
    ]
    for timber, told in yard:
        operations.add_timber(shop, timber, now_utc=timber.arrived_utc)
        days = round((NOW - timber.arrived_utc) / DAY)
        shop.store.append(readings(timber, days, **told))
    for event in (
        Event(tag="FER-01", kind=EventKind.END_SEALED, at_utc=NOW - 290 * DAY, by="Ada"),
        Event(tag="FER-03", kind=EventKind.OVEN_DRIED, at_utc=NOW - 390 * DAY, detail={"mc_pct": 61.0}),
        Event(tag="FER-03", kind=EventKind.STICKERED, at_utc=NOW - 350 * DAY, detail={"faces": "c"}),
        Event(tag="FER-03", kind=EventKind.PLANED, at_utc=NOW - 60 * DAY,
              detail={"width_mm": 146.0, "depth_mm": 147.0}, note="to see the checks"),
        Event(tag="FER-06", kind=EventKind.RETIRED, at_utc=NOW - 30 * DAY, detail={"reason": "sold"}),
    ):  # fmt: skip
        operations.add_event(shop, event)


def main():
    with tempfile.TemporaryDirectory() as room:
        folder = shops.init(Path(room) / "shop", name="Ferry yard", units="inch")
        with shops.open(folder) as shop:
            fill(shop)
            for ago in (200, 90, 0):
                for tag in ("FER-01", "FER-02", "FER-03", "FER-04", "FER-05", "FER-06")[: 6 if ago else 5]:
                    made = gather.evaluate(tag, shop, NOW - ago * DAY)
                    print(tag, ago, made.failed or made.content["verdict"]["step"],
                          bool(made.content.get("verdict", {}).get("contradiction")), flush=True)  # fmt: skip
                notices.look(shop, NOW - ago * DAY)
            timber_ensembles.of(shop, gather.gather("FER-01", shop, NOW))
            shop.store.forget(*(f"fit/{tag}" for tag in ("FER-02", "FER-05", "FER-06")))  # for size
        with closing(sqlite3.connect(folder / "shop.db")) as base:
            base.execute("VACUUM")
        with zipfile.ZipFile(TARGET, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as out:
            for each in sorted(folder.rglob("*")):
                if each.is_file():
                    out.write(each, each.relative_to(folder))
        shutil.rmtree(folder)


if __name__ == "__main__":
    main()
