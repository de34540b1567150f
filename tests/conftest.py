"""What every test may ask for: a fixed clock, a small shop folder, a free port, a real broker, a browser."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import NoReturn

import pytest

from baulk.ingest import config as settings
from baulk.ingest.demo import broker
from baulk.models.section import Finished, Section
from baulk.models.timber import Timber

ROOT = Path(__file__).resolve().parent.parent


@dataclass(frozen=True)
class RunningBroker:
    """A broker that runs for one test."""

    host: str
    port: int
    process: subprocess.Popen[bytes]


@pytest.fixture(scope="session")
def root():
    return ROOT


@pytest.fixture
def now_utc():
    return datetime(2026, 5, 14, 9, 30, tzinfo=UTC)


@pytest.fixture
def free_port():
    return broker.free_port()


@pytest.fixture
def shop_dir(tmp_path):
    return settings.init(tmp_path / "shop", name="Test yard", units="inch")


@pytest.fixture
def oak(now_utc):
    return Timber(
        tag="FER-01",
        species="white oak",
        section=Section(width_mm=203, depth_mm=178),
        length_mm=3000,
        finished=Finished(width_mm=152, depth_mm=152),
        use_class="backbone-above-water",
        place="shed",
        arrived_utc=now_utc.replace(year=2025),
    )


def lacking(program: str) -> NoReturn:
    """Skip for want of a real component; in CI that is a failure."""
    said = f"{program} is not on this machine; tests/run installs it"
    if os.environ.get("CI") == "true":
        pytest.fail(said)
    pytest.skip(said)


def _run_broker(plan: broker.BrokerPlan) -> Iterator[RunningBroker]:
    process = subprocess.Popen(plan.argv, stdin=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        until = time.monotonic() + 15
        while not broker.answers(plan.port):
            assert process.poll() is None, "the broker ended while starting"
            assert time.monotonic() < until, "the broker did not start within 15 s"
            time.sleep(0.05)
        yield RunningBroker(plan.host, plan.port, process)
    finally:
        process.terminate()
        process.wait(10)


@pytest.fixture
def mosquitto(tmp_path):
    """A real mosquitto on a port of its own, for one test."""
    program = broker.find_mosquitto()
    if program is None:
        lacking("mosquitto")
    yield from _run_broker(broker.plan(tmp_path, broker.free_port(), mosquitto=program))


@pytest.fixture
def embedded_broker(tmp_path):
    """The broker that comes inside a Python package, for one test."""
    yield from _run_broker(broker.plan(tmp_path, broker.free_port(), mosquitto=None))


@pytest.fixture(scope="session")
def chromium_path():
    """Path of Debian's Chromium."""
    found = shutil.which("chromium")
    if found is None:
        lacking("chromium")
    return found


@pytest.fixture
def baulk():
    """Run the command line as a person does; gives the finished process."""

    def run(*words: str, seconds: float = 60, **env: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-P", "-m", "baulk.dashboard.commands", *words],
            capture_output=True,
            text=True,
            timeout=seconds,
            check=False,
            env={**os.environ, "NO_COLOR": "1", "COLUMNS": "100", **env},
        )

    return run
