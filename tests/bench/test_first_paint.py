"""How soon after its start the page server has painted the yard, beside an earlier version in the same run.

The shop is the one that 0.1.0 made (tests/ingest/data). Time runs from the command to the first timber's tag
on the screen, with an empty browser memory; what was compiled stays, as in an installation.
``BAULK_BENCH_BEFORE=95de4ad pytest -s -m bench tests/bench/test_first_paint.py``.
"""

from __future__ import annotations

import importlib.util
import os
import statistics
import subprocess
import sys
import time
import urllib.request
import zipfile
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from test_start_up import environment
from versions import ROOT, earlier, tree

TESTS = Path(__file__).parents[1]
TURNS, WITHIN_S = 3, 90
TAG = "FER-01"


def _browse():
    spec = importlib.util.spec_from_file_location("browse_of_first_paint", TESTS / "browser" / "conftest.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


browse = _browse()
chromium = browse.chromium  # the fixture


def answers(port):
    try:
        urllib.request.urlopen(f"http://127.0.0.1:{port}/_stcore/health", timeout=2).close()
    except OSError:
        return False
    return True


def processor_s(pid):
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def painted(chromium, path, folder):
    """Return seconds until it answers, until the tag is there, and of the processor until then."""
    port = browse.free_port()
    words = ["dashboard", "--shop", str(folder), "--port", str(port)]
    began = time.perf_counter()
    server = subprocess.Popen(
        [sys.executable, "-m", "baulk.dashboard.commands", *words],
        env=environment(path, folder), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    context = chromium.new_context()
    try:
        while not answers(port):
            assert server.poll() is None
            assert time.perf_counter() - began < WITHIN_S
            time.sleep(0.02)
        up = time.perf_counter() - began
        page = context.new_page()
        page.goto(f"http://127.0.0.1:{port}", wait_until="commit")
        page.get_by_text(TAG).filter(visible=True).first.wait_for(timeout=1000 * WITHIN_S)
        return up, time.perf_counter() - began, processor_s(server.pid)
    finally:
        context.close()
        browse.end(server)


@pytest.mark.bench
@pytest.mark.timeout(1200)
def test_the_first_page_after_a_start(tmp_path, chromium):
    paths = {"now": tree(tmp_path / "now", ROOT)}
    if commit := os.environ.get("BAULK_BENCH_BEFORE"):
        paths["before"] = earlier(tmp_path / "before", commit)
    for name in paths:
        with zipfile.ZipFile(TESTS / "ingest" / "data" / "shop-0.1.0.zip") as packed:
            packed.extractall(tmp_path / f"shop-{name}")
    shops = {name: next((tmp_path / f"shop-{name}").rglob("baulk.toml")).parent for name in paths}
    runs = {name: [] for name in paths}
    for turn in range(TURNS + 1):
        for name, path in paths.items():
            found = painted(chromium, path, shops[name])
            if turn:  # the first one compiles
                runs[name].append(found)
    middle = {
        name: [statistics.median(each) for each in zip(*some, strict=True)] for name, some in runs.items()
    }
    for name, (up, seen, used) in middle.items():
        print(
            f"\n{name}: answers after {up:.2f} s, painted after {seen:.2f} s, {used:.2f} s of the processor"
        )
    if "before" in middle:
        ratios = [a / b for a, b in zip(middle["now"], middle["before"], strict=True)]
        print("ratios: {:.2f} until it answers, {:.2f} painted, {:.2f} of the processor".format(*ratios))
        assert ratios[1] <= 0.7
