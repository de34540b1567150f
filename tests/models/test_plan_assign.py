"""The assignment against trying everything."""

from functools import cache
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from baulk.models.errors import OutOfRange
from baulk.models.plan.buying import assignment, search
from baulk.models.plan.buying.problem import Leftover, Mix, Problem

INF = float("inf")


def assign(count, length, room, cost, **more):
    program = assignment.Program(
        problem=Problem(count=count, length_mm=length, room_mm=room, cost=cost, **more)
    )
    return program.cheapest(program.fewest(5.0), 5.0)


def brute(count, length, room, cost, kerf, opening):
    """Least (short, cost) over every way to take pieces one by one."""
    timbers = len(room)

    @cache
    def best(left, used, cut):
        short = sum(left)
        found = (short, opening * sum(cut))
        for p, n in enumerate(left):
            if n == 0:
                continue
            for t in range(timbers):
                need = length[p] + (kerf if cut[t] else 0)
                if cost[p][t] < INF and used[t] + need <= room[t] + 1e-9:
                    rest = (
                        tuple(each - (i == p) for i, each in enumerate(left)),
                        tuple(each + need * (i == t) for i, each in enumerate(used)),
                        tuple(each or i == t for i, each in enumerate(cut)),
                    )
                    after = best(*rest)
                    found = min(found, (after[0], after[1] + cost[p][t]))
        return found

    return best(tuple(count), (0,) * timbers, (False,) * timbers)


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_the_plan_is_that_of_trying_everything(data):
    parts, timbers = data.draw(st.integers(1, 3)), data.draw(st.integers(1, 3))
    count = data.draw(st.lists(st.integers(1, 2), min_size=parts, max_size=parts))
    length = data.draw(st.lists(st.integers(1, 5), min_size=parts, max_size=parts))
    room = data.draw(st.lists(st.integers(0, 9), min_size=timbers, max_size=timbers))
    cell = st.one_of(st.integers(0, 9).map(float), st.just(INF))
    row = st.lists(cell, min_size=timbers, max_size=timbers)
    cost = data.draw(st.lists(row, min_size=parts, max_size=parts))
    kerf, opening = data.draw(st.integers(0, 1)), data.draw(st.sampled_from([0.0, 0.5]))
    found = assign(count, length, room, np.array(cost), kerf_mm=kerf, opening=opening)
    short, least = brute(count, length, room, cost, kerf, opening)
    assert found.short.sum() == short
    taken = np.where(found.taken > 0, found.taken, 0)
    total = float(np.sum(np.where(taken > 0, np.where(np.isfinite(cost), cost, 0) * taken, 0)))
    total += opening * int(np.sum(taken.sum(axis=0) > 0))
    assert total == pytest.approx(least, abs=1e-6)
    assert found.gap == 0
    assert np.all((found.taken == 0) | np.isfinite(cost))
    for t in range(timbers):
        pieces = int(taken[:, t].sum())
        assert np.dot(taken[:, t], length) + kerf * max(pieces - 1, 0) <= room[t] + 1e-6


@pytest.mark.parametrize(
    ("count", "cost", "says"),
    [
        ([], np.zeros((0, 1)), "are none"),
        ([1], np.zeros((2, 1)), "one row"),
        ([1], -np.ones((1, 1)), "below 0"),
    ],
)
def test_what_cannot_be_is_a_sentence(count, cost, says):
    with pytest.raises(OutOfRange, match=says):
        assign(count, [1.0] * len(count), [5.0], cost)


@pytest.mark.parametrize("seed", range(12))
def test_with_parts_side_by_side_the_plan_is_that_of_trying_every_number_of_each(seed):
    rng = np.random.default_rng(seed)
    count, length, room = (
        [int(n) for n in rng.integers(1, 4, 2)],
        [2.0, 3.0],
        [float(rng.integers(3, 9)), 5.0],
    )
    cost = rng.integers(1, 6, (2, 2)).astype(float)
    mixes = [
        Mix(timber=0, counts=(1, 1), length_mm=3.0, cost=float(rng.integers(1, 8))),
        Mix(timber=0, counts=(2, 0), length_mm=2.0, cost=float(rng.integers(1, 8))),
        Mix(timber=1, counts=(2, 1), length_mm=3.0, cost=float(rng.integers(1, 8))),
    ]
    least = None
    for taken in product(range(4), repeat=4):
        for often in product(range(4), repeat=3):
            used, given, total = [0.0, 0.0], [0, 0], 0.0
            for i, n in enumerate(taken):
                p, t = divmod(i, 2)
                used[t], given[p], total = used[t] + n * length[p], given[p] + n, total + n * cost[p][t]
            for mix, n in zip(mixes, often, strict=True):
                used[mix.timber] += n * mix.length_mm
                given = [g + n * c for g, c in zip(given, mix.counts, strict=True)]
                total += n * mix.cost
            if all(u <= r for u, r in zip(used, room, strict=True)):
                short = sum(max(c - g, 0) for c, g in zip(count, given, strict=True))
                least = min(least or (short, total), (short, total))
    found = assign(count, length, room, cost, mixes=mixes)
    total = float(np.sum(found.taken * cost)) + sum(
        n * mix.cost for n, mix in zip(found.mixed, mixes, strict=True)
    )
    assert (int(found.short.sum()), total) == pytest.approx(least)


def worst_of_left(used, cut, room, per_mm, keep, worth):
    left = max(0.0, room - used)
    return per_mm * left * ((1 - worth) if left >= keep else 1.0) if cut else 0.0


@pytest.mark.parametrize("seed", range(20))
def test_with_a_worth_of_what_is_left_the_plan_is_that_of_trying_every_number_of_each(seed):
    rng = np.random.default_rng(seed)
    count, length, kerf = [int(n) for n in rng.integers(1, 4, 2)], [2.0, 3.0], float(rng.integers(0, 2))
    room = [float(n) for n in rng.integers(3, 12, 3)]
    cost = rng.integers(0, 4, (2, 3)).astype(float)
    per_mm = [float(n) for n in rng.integers(0, 5, 3)]
    keep, worth, opening = float(rng.integers(1, 6)), float(rng.choice([0.5, 0.25])), 0.125
    mixes = [Mix(timber=0, counts=(1, 1), length_mm=3.0, cost=float(rng.integers(1, 5)))]
    least = None
    for taken in product(*(range(count[i // 3] + 1) for i in range(6))):
        for n_mix in range(4):
            given, total, fits = [n_mix, n_mix], n_mix * mixes[0].cost, True
            for t in range(3):
                mine = [(length[0], taken[t]), (length[1], taken[3 + t])] + [(3.0, n_mix)] * (t == 0)
                used, cut = sum(n * (long + kerf) for long, n in mine), any(n for _, n in mine)
                fits = fits and used - kerf * cut <= room[t]
                total += opening * cut + worst_of_left(used, cut, room[t], per_mm[t], keep, worth)
            for p, t in product(range(2), range(3)):
                given[p] += taken[3 * p + t]
                total += taken[3 * p + t] * cost[p, t]
            if fits:
                short = sum(max(c - g, 0) for c, g in zip(count, given, strict=True))
                least = min(least or (short, total), (short, total))
    leftover = Leftover(per_mm=tuple(per_mm), keep_mm=keep, worth=worth)
    found = assign(count, length, room, cost, kerf_mm=kerf, opening=opening, mixes=mixes, leftover=leftover)
    total = float(np.sum(found.taken * cost)) + int(found.mixed[0]) * mixes[0].cost
    for t in range(3):
        along = [(length[p], int(found.taken[p, t])) for p in range(2)] + [(3.0, int(found.mixed[0]))] * (
            t == 0
        )
        used, cut = sum(n * (long + kerf) for long, n in along), any(n for _, n in along)
        total += opening * cut + worst_of_left(used, cut, room[t], per_mm[t], keep, worth)
    assert (int(found.short.sum()), total) == pytest.approx(least, abs=1e-6)


def every_plan(  # noqa: C901 - everything is tried
    count, length, room, cost, kerf, opening, mixes, left, rank, strange
):
    """Every plan of a small case: (short by rank, strange, cost) and the pairs that it uses."""
    per_mm, keep, worth = left
    timbers, ranks = len(room), sorted(set(rank))
    alone = [(p, t) for p in range(len(count)) for t in range(timbers)]
    for taken in product(*(range(count[p] + 1) if cost[p, t] < INF else (0,) for p, t in alone)):
        for often in product(range(3), repeat=len(mixes)):
            given, used, total, odd, pairs = list(rank), [0.0] * timbers, 0.0, 0, set()
            given = [0] * len(count)
            for (p, t), n in zip(alone, taken, strict=True):
                if n:
                    given[p] += n
                    used[t] += n * (length[p] + kerf)
                    total += n * cost[p, t]
                    odd += n * strange[p][t]
                    pairs.add((p, t))
            if any(g > c for g, c in zip(given, count, strict=True)):
                continue
            for mix, n in zip(mixes, often, strict=True):
                if n:
                    used[mix.timber] += n * (mix.length_mm + kerf)
                    total += n * mix.cost
                    for p, many in enumerate(mix.counts):
                        given[p] += n * many
                        odd += n * many * strange[p][mix.timber]
                        pairs |= {(p, mix.timber)} if many else set()
            if any(u > r + kerf for u, r in zip(used, room, strict=True) if u):
                continue
            for t in range(timbers):
                if used[t]:
                    rest = max(room[t] - used[t], 0.0)
                    total += opening + per_mm[t] * rest * ((1 - worth) if rest >= keep else 1.0)
            short = [max(c - g, 0) for c, g in zip(count, given, strict=True)]
            by_rank = tuple(sum(s for s, r in zip(short, rank, strict=True) if r == own) for own in ranks)
            yield (*by_rank, odd, round(total, 9)), frozenset(pairs)


@pytest.mark.parametrize("exact", [20, 0], ids=["whole program", "patterns"])
@pytest.mark.parametrize("seed", range(8))
def test_first_served_own_use_kept_and_the_next_best_plans_are_those_of_trying_everything(
    seed, exact, monkeypatch
):
    rng = np.random.default_rng(seed)
    count, length, kerf = [int(n) for n in rng.integers(1, 3, 3)], [2.0, 3.0, 4.0], 1.0
    room = [float(n) for n in rng.choice([5, 6, 7, 8, 9, 11], 3, replace=False)]  # none alike
    cost = rng.integers(0, 5, (3, 3)) + rng.random((3, 3)).round(3)
    cost[rng.random((3, 3)) < 0.15] = INF
    strange = rng.random((3, 3)) < 0.4
    rank = [int(n) for n in rng.integers(1, 3, 3)]
    mixes = [Mix(timber=0, counts=(1, 1, 0), length_mm=3.0, cost=float(rng.integers(1, 5)))]
    left = ([float(n) for n in rng.integers(0, 3, 3)], 2.0, 0.5)
    every = list(every_plan(count, length, room, cost, kerf, 0.125, mixes, left, rank, strange))
    monkeypatch.setattr(search, "EXACT", exact)
    problem = Problem(
        count=count, length_mm=length, room_mm=room, cost=cost, kerf_mm=kerf, opening=0.125, mixes=mixes,
        leftover=Leftover(per_mm=tuple(left[0]), keep_mm=left[1], worth=left[2]), rank=rank, strange=strange,
    )  # fmt: skip
    found = search.Search(problem)

    def value(plan):
        by_rank = (sum(int(plan.short[p]) for p in range(3) if rank[p] == own) for own in sorted(set(rank)))
        return (*by_rank, problem.strange_in(plan.taken, plan.mixed), plan.spent)

    best = min(each for each, _ in every)
    assert value(found.best)[:-1] == best[:-1]
    assert found.best.spent >= best[-1] - 1e-6
    # no plan lies below the bound that is told, and what is told as proved is the best
    assert found.best.spent * (1 - found.best.gap) <= best[-1] + 1e-6
    if found.best.gap == 0 or exact:
        assert found.best.spent == pytest.approx(best[-1], abs=1e-6)
    without = [found.best.served(problem)]
    for other in found.next_best(2):
        left_out = [each for each, pairs in every if all(not one <= pairs for one in without)]
        assert value(other)[-1] >= min(left_out)[-1] - 1e-6 or value(other)[:-1] > min(left_out)[:-1]
        if exact:
            assert value(other) == pytest.approx(min(left_out), abs=1e-6)
        assert not any(one <= other.served(problem) for one in without)
        without.append(other.served(problem))
