"""The demo works out what it would have said earlier, so that there is something to hold against today."""

import sys
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path

from baulk.dashboard.commands import demo
from baulk.dashboard.commands.children import Children
from baulk.ingest.demo import yard

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)


def test_every_timber_of_the_demo_is_looked_back_on_from_a_day_after_it_came():
    arrived = {piece.timber.tag: piece.timber.arrived_utc for piece in yard.pieces(NOW)}
    counted = Counter()
    for run in demo._earlier(Path("shop"), yard.pieces(NOW), NOW):
        words = run[run.index("forecast") + 1 :]
        as_of = datetime.fromisoformat(words[words.index("--at") + 1]).replace(tzinfo=UTC)
        for tag in words[: words.index("--at")]:
            assert arrived[tag] < as_of < NOW
            counted[tag] += 1
    assert set(counted) == set(arrived)
    assert sum(count == 2 for count in counted.values()) >= 5


def test_a_child_that_is_done_is_not_started_again(tmp_path):
    with Children(tmp_path / "logs") as children:
        child = children.start("looking back", [sys.executable, "-c", "pass"], once=True)
        child.process.wait(30)
        children.mend()
        assert child.restarts == 0
        assert child.process.poll() == 0
