"""Measure gathering and evaluating of each timber of the yard of test_fleet.py, old program or new.

Run as ``python fleet_child.py FOLDER TIMBERS TIMES TESTS``: the shop in FOLDER is made if it is not there, by
the bench in the folder TESTS, which is that of the version on the path. Their sections, woods and places of
the heart are all unlike. Its last line is the sum, as JSON.
"""

from __future__ import annotations

import json
import os
import sys
from functools import partial
from pathlib import Path

from columns_child import took

from baulk.ingest import shop as shops
from baulk.ingest.evaluation import compute, gather


def main(folder: Path, timbers: int, times: int, tests: Path) -> None:
    """Print the least of some times for each timber, added up."""
    os.environ["BAULK_BENCH_TIMBERS"] = str(timbers)
    sys.path.insert(0, str(tests / "bench"))
    import test_fleet  # noqa: PLC0415 - reads how many timbers when it is loaded

    if not folder.exists():
        shops.init(folder, name="Bench yard")
        with shops.open(folder) as yard:
            test_fleet.fill(yard)
    whole: dict[str, float] = {}
    with shops.open(folder) as yard:
        airs = {}
        for tag in [each.tag for each in yard.register.list()]:
            gather.gather(tag, yard, test_fleet.NOW, airs=airs)  # what is kept of days is made here, once
            best: dict[str, float] = {}
            for _ in range(times):
                inputs, gathering = took(partial(gather.gather, tag, yard, test_fleet.NOW, airs=airs))
                _, print_s = took(inputs.fingerprint)
                made_of, answering = took(partial(compute.answer, inputs, 1))
                assert made_of.failed is None, made_of.failed
                for name, each in {
                    "gathering": gathering, "answer": answering,
                    "evaluation": gathering + print_s + answering,
                }.items():  # fmt: skip
                    best[name] = min(best.get(name, 1e9), each)
            pith_mm = yard.register.get(tag).section.pith_x_mm
            print(f"{tag}: heart {pith_mm:.0f} mm from the middle, {best}", file=sys.stderr, flush=True)
            for name, each in best.items():
                whole[name] = whole.get(name, 0.0) + each
    print(json.dumps(whole))


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]), Path(sys.argv[4]))
