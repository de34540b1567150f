"""What every test may ask for: a fixed clock, a small shop folder, a free port, a real broker, a browser."""

from __future__ import annotations

import contextlib
import gc
import json
import os
import re
import select
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import NoReturn

import hypothesis
import pytest

from baulk.ingest import shop as shops
from baulk.ingest.config import STORE_PASSWORD
from baulk.ingest.demo import broker
from baulk.ingest.worker_process import JobContext
from baulk.models.section import Finished, Section
from baulk.models.timber import Timber

ROOT = Path(__file__).resolve().parent.parent

# a busy machine is no fault of the code; what has to be quick is timed in tests/bench
hypothesis.settings.register_profile("baulk", deadline=None)
hypothesis.settings.load_profile("baulk")

# how a test says that a real component is missing that tests/run installs
_MISSING = re.compile(r"is not on this machine|could not import")


def pytest_collection():
    """Look for no waste while thousands of tests are made, all of which stay: a fifth of the time."""
    gc.disable()


def pytest_collection_finish():
    gc.freeze()
    gc.enable()


def _failed_in_ci(report):
    """Make a failure of what was skipped for want of a real component, where none may be missing."""
    if report.skipped and os.environ.get("CI") == "true" and isinstance(report.longrepr, tuple):
        path, line, reason = report.longrepr
        if _MISSING.search(reason):
            report.outcome = "failed"
            report.longrepr = f"{path}:{line}: {reason}; in CI every component has to be there"
    return report


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport():
    return _failed_in_ci((yield))


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report():
    return _failed_in_ci((yield))


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


class InThisProcess:
    """Does what the process beside the watch does, where a test can see into it."""

    def run(self, work, *given, told=lambda _: None, stopped=lambda: False, **_how):
        return work(JobContext(tell=told, stopped=stopped), *given)

    def close(self):
        pass


@pytest.fixture
def in_this_process():
    return InThisProcess()


@pytest.fixture
def free_port():
    return broker.free_port()


def former_quarantine(base):
    """Bring the table of quarantine back to the form that it had before causes."""
    base.executescript("""
        ALTER TABLE quarantine RENAME TO later; DROP INDEX quarantine_by_tag; DROP INDEX quarantine_by_cause;
        CREATE TABLE quarantine (
            id INTEGER PRIMARY KEY AUTOINCREMENT, topic TEXT NOT NULL, payload BLOB NOT NULL,
            arrived_us INTEGER NOT NULL, retained INTEGER NOT NULL, reason TEXT NOT NULL, waits_for TEXT,
            UNIQUE (topic, payload, arrived_us, reason));
        CREATE INDEX quarantine_by_tag ON quarantine (waits_for) WHERE waits_for IS NOT NULL;
        INSERT INTO quarantine
            SELECT id, topic, payload, arrived_us, retained, reason, waits_for FROM later;
        DROP TABLE later;
    """)


@pytest.fixture(name="former_quarantine")
def _former_quarantine():
    return former_quarantine


@pytest.fixture
def shop_dir(tmp_path):
    return shops.init(tmp_path / "shop", name="Test yard", units="inch")


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
    """Skip for want of a real component; in CI that is a failure (`_failed_in_ci`)."""
    pytest.skip(f"{program} is not on this machine; tests/run installs it")


def _run_broker(plan: broker.BrokerPlan) -> Iterator[RunningBroker]:
    process = subprocess.Popen(plan.argv, stdin=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        until = time.monotonic() + 60
        while not broker.answers(plan.port):
            assert process.poll() is None, "the broker ended while starting"
            assert time.monotonic() < until, "the broker did not start within 60 s"
            time.sleep(0.05)
        yield RunningBroker(plan.host, plan.port, process)
    finally:
        process.terminate()
        process.wait(60)


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


_INITDB = ("-A", "scram-sha-256", "-E", "UTF8", "--locale", "C", "--no-sync")


class Postgres:
    """A PostgreSQL server of our own, on a free port of this machine; can be stopped and started again."""

    password = "oak & ash: 8/4%"

    def __init__(self, folder: Path) -> None:
        self.driver = pytest.importorskip("psycopg")
        programs = sorted(Path("/usr/lib/postgresql").glob("*/bin/postgres"))
        if not programs:
            lacking("postgresql")
        self.bin, self.data, self.port = programs[-1].parent, folder / "data", broker.free_port()
        self.process: subprocess.Popen[bytes] | None = None
        self.counted = 0
        self._as = {"user": "postgres", "group": "postgres"} if os.geteuid() == 0 else {}
        secret = folder / "secret"
        secret.write_text(self.password)
        if self._as:  # the server refuses to run as root
            for each in (folder, secret):
                shutil.chown(each, "postgres", "postgres")
        subprocess.run(
            [self.bin / "initdb", "-D", self.data, "-U", "keeper", *_INITDB, "--pwfile", secret],
            check=True,
            capture_output=True,
            cwd="/",
            **self._as,
        )
        self.start()

    @property
    def url(self) -> str:
        """Of the database that every server has, for its superuser."""
        return f"postgresql://keeper@127.0.0.1:{self.port}/postgres"

    def connect(self):
        return self.driver.connect(self.url, password=self.password, autocommit=True, connect_timeout=5)

    def start(self):
        """Start it and wait until it answers."""
        options = ("fsync=off", "unix_socket_directories=", "listen_addresses=127.0.0.1", f"port={self.port}")
        self.process = subprocess.Popen(
            [self.bin / "postgres", "-D", self.data, *(word for each in options for word in ("-c", each))],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            cwd="/",
            **self._as,
        )
        until = time.monotonic() + 60
        while True:
            try:
                self.connect().close()
            except self.driver.OperationalError:
                assert self.process.poll() is None, "PostgreSQL ended while starting"
                assert time.monotonic() < until, "PostgreSQL did not start within 60 s"
                time.sleep(0.05)
            else:
                return

    def stop(self):
        """Stop it at once, as a machine that is switched off in order does."""
        if self.process is not None:
            self.process.send_signal(signal.SIGINT)
            self.process.wait(60)
            self.process = None

    def database(self) -> str:
        """Make an empty database as deploy/postgres tells; its address for its owner."""
        self.counted += 1
        name = f"yard{self.counted}"
        with self.connect() as base:
            if self.counted == 1:
                base.execute(f"CREATE ROLE baulk LOGIN PASSWORD '{self.password}'")
            base.execute(f"CREATE DATABASE {name} OWNER baulk")
        return f"postgresql://baulk@127.0.0.1:{self.port}/{name}"


@pytest.fixture(scope="session")
def postgres_server():
    """A real PostgreSQL for all tests of a run; whoever stops it starts it again."""
    folder = Path(tempfile.mkdtemp(prefix="baulk-postgres-"))
    server = None
    try:
        server = Postgres(folder)
        yield server
    finally:
        if server is not None:
            server.stop()
        shutil.rmtree(folder)


@pytest.fixture
def postgres_url(postgres_server, monkeypatch):
    """An empty database of its own for one test; its password stands in the environment."""
    monkeypatch.setenv(STORE_PASSWORD, postgres_server.password)
    return postgres_server.database()


@pytest.fixture
def victoria(tmp_path, free_port):
    """A real server that takes InfluxDB's line protocol, for one test; its port."""
    program = shutil.which("victoria-metrics")
    if program is None:
        lacking("victoria-metrics")
    process = subprocess.Popen(
        [program, f"-httpListenAddr=127.0.0.1:{free_port}", f"-storageDataPath={tmp_path / 'metrics'}"],
        stdin=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        until = time.monotonic() + 60
        while not broker.answers(free_port):
            assert process.poll() is None, "victoria-metrics ended while starting"
            assert time.monotonic() < until, "victoria-metrics did not start within 60 s"
            time.sleep(0.05)
        yield free_port
    finally:
        process.terminate()
        process.wait(60)


@pytest.fixture(scope="session")
def chromium_path():
    """Path of Debian's Chromium."""
    found = shutil.which("chromium")
    if found is None:
        lacking("chromium")
    return found


class Commands:
    """Runs the command line in processes of their own, quickly started."""

    def __init__(self, folder: Path) -> None:
        self.out, self.err = folder / "out", folder / "err"
        self.process = subprocess.Popen(
            [sys.executable, "-P", str(Path(__file__).with_name("forked.py"))],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            bufsize=0,  # a line read ahead would not be seen by `select`
        )

    def run(self, *words: str, seconds: float, env: dict[str, str]) -> subprocess.CompletedProcess[str]:
        for each in (self.out, self.err):
            each.write_text("")
        asked = [[str(word) for word in words], env, str(Path.cwd()), str(self.out), str(self.err)]
        self.process.stdin.write(f"{json.dumps(asked)}\n".encode())
        number = self.process.stdout.readline()
        assert number, "what runs the commands has ended"
        ready, _, _ = select.select([self.process.stdout], [], [], seconds)
        if not ready:
            with contextlib.suppress(ProcessLookupError):
                os.kill(int(number), signal.SIGKILL)
        code = int(self.process.stdout.readline().split()[1])
        out, err = self.out.read_text(), self.err.read_text()
        if not ready:
            raise subprocess.TimeoutExpired(list(words), seconds, out, err)
        return subprocess.CompletedProcess(list(words), code, out, err)

    def close(self) -> None:
        self.process.stdin.close()
        self.process.stdout.close()
        self.process.wait(60)


@pytest.fixture(scope="session")
def commands(tmp_path_factory):
    one = Commands(tmp_path_factory.mktemp("commands"))
    yield one
    one.close()


@pytest.fixture
def baulk(commands):
    """Run the command line as a person does; gives the finished process."""

    def run(*words: str, seconds: float = 120, **env: str) -> subprocess.CompletedProcess[str]:
        return commands.run(
            *words, seconds=seconds, env={**os.environ, "NO_COLOR": "1", "COLUMNS": "100", **env}
        )

    return run
