"""How many workers one parent can feed, on paper: from what a timber takes of the parent and of a worker.

``python tests/bench/many_workers.py WORKER_S PARENT_S [ONCE_S]`` prints the table for figures at hand;
tests/bench/test_big_yard.py prints it for those that it measured.

As many cores as workers, which the parent shares. A round ends when the parent has gone through all, when the
cores have done all there is to do, and its last timber is worked out then, alone. Not in it: what cores
share, such as memory and its caches; other machines, where the network comes in; and starting the workers.
"""

from __future__ import annotations

import sys

TIMBERS = (200, 2000)
WORKERS = (1, 2, 8, 16, 32, 64)


def round_s(timbers, workers, worker_s, parent_s, once_s):
    """Give how long a round takes."""
    shared = timbers * (worker_s + parent_s) / workers
    last = worker_s * (1 - 1 / workers)  # one core works, the others have nothing left
    return once_s + max(timbers * parent_s, shared) + last


def efficiency(timbers, workers, worker_s, parent_s, once_s):
    """Give the rate beside that of one core, by the core."""
    alone = round_s(timbers, 1, worker_s, parent_s, once_s)
    return alone / (workers * round_s(timbers, workers, worker_s, parent_s, once_s))


def told(worker_s, parent_s, once_s=0.0):
    """Put the figures and what they bound into a table."""
    takes = (
        f"a timber: {worker_s:.3f} s of a worker, {parent_s:.4f} s of the parent, and {once_s:.2f} s a round"
    )
    lines = [
        f"{takes}; one parent keeps {1 / parent_s:.0f} a second, those of {worker_s / parent_s:.0f} workers",
        "| workers | " + " | ".join(f"{n} timbers: s, efficiency" for n in TIMBERS) + " |",
        "|---|" + "---|" * len(TIMBERS),
    ]
    for workers in WORKERS:
        of = (
            f"{round_s(n, workers, worker_s, parent_s, once_s):.1f}, "
            f"{efficiency(n, workers, worker_s, parent_s, once_s):.2f}"
            for n in TIMBERS
        )
        lines.append(f"| {workers} | " + " | ".join(of) + " |")
    return "\n".join(lines)


if __name__ == "__main__":
    print(told(*(float(each) for each in sys.argv[1:])))
