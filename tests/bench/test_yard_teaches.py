"""What it costs to ask what the yard teaches, by the number of timbers that taught.

Prints processor time a timber of the first question, of those that follow, and of asking `prior_of` itself,
in turns in one process; 50, 200, 201 and 2,000 timbers, or ``BAULK_BENCH_TAUGHT=N,N``. A question after the
first has to grow far slower than the yard. Run by
``tests/run --bench --only-tests tests/bench/test_yard_teaches.py``.
"""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "models"))

from invented_yard import DEFAULTS, yard_of

from baulk.models.yard.all_priors import MANY, AllPriors
from baulk.models.yard.prior import prior_of

pytestmark = pytest.mark.bench

USUAL = f"{MANY // 4},{MANY},{MANY + 1},{10 * MANY}"
SIZES = [int(each) for each in os.environ.get("BAULK_BENCH_TAUGHT", USUAL).split(",")]
ASKED, TURNS = 20, 5


def used_s(ask):
    began = time.process_time()
    ask()
    return time.process_time() - began


def test_what_a_timber_costs_grows_far_slower_than_the_yard():
    yards, firsts = {}, {}
    for size in SIZES:
        taught = yard_of(size, 8)
        yard = AllPriors(taught)
        firsts[size] = used_s(lambda yard=yard, taught=taught: yard.prior(taught[0].timber, DEFAULTS))
        yards[size] = (yard, taught, [taught[i].timber for i in np.linspace(0, size - 1, ASKED).astype(int)])
    after, alone = {size: [] for size in SIZES}, {size: [] for size in SIZES}
    for turn in range(TURNS):
        for size, (yard, taught, some) in yards.items():
            after[size].append(used_s(lambda: [yard.prior(each, DEFAULTS) for each in some]) / ASKED)  # noqa: B023
            alone[size].append(used_s(lambda: prior_of(some[turn], taught, DEFAULTS)))  # noqa: B023
    print(f"\nload {os.getloadavg()[0]:.1f}\n")
    print("| taught | first, s | after, s a timber | all others, s a timber |")
    print("|---|---|---|---|")
    for size in SIZES:
        least = f"{min(after[size]):.4f} | {min(alone[size]):.4f}"
        print(f"| {size} | {firsts[size]:.2f} | {least} |")
    small, large = SIZES[0], SIZES[-1]
    ratio = min(after[large]) / min(after[small])
    print(f"\n{large} beside {small} timbers: {ratio:.2f} times a timber; a round of {large}: ", end="")
    print(f"{firsts[large] + large * min(after[large]):.0f} s, before {large * min(alone[large]):.0f} s")
    assert ratio < (large / small) ** 0.5
