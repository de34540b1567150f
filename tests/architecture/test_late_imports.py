"""What a command loads, and what it says when the packages that it needs are not there."""

from __future__ import annotations

import ast
import json
import os
import signal
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest

from baulk.dashboard.server import access
from baulk.ingest import config
from baulk.ingest import shop as shops
from baulk.ingest.demo import broker, weather
from baulk.ingest.errors import ConfigError
from baulk.ingest.evaluation import executors
from baulk.ingest.monitoring import notify
from baulk.models.quantity import Owner
from baulk.models.reading import Reading, Series

ROOT = Path(__file__).parents[2]
# pages, charts, paper, files for other programs, messengers, and what these bring with them
HEAVY = {
    "streamlit", "tornado", "starlette", "altair", "narwhals", "pydeck", "contourpy", "matplotlib",
    "reportlab", "segno", "zxingcpp", "PIL", "icalendar", "pyarrow", "pandas", "apprise", "requests",
    "influxdb_client", "psycopg", "distributed", "dask", "authlib", "httpx", "pvlib", "h5py", "iotcore",
}  # fmt: skip
COMPUTING = {"numpy", "numba", "llvmlite", "scipy", "skfem", "psychrolib"}
READERS = {"pydantic", "rich", "asyncio"}
SHOP = {"sqlalchemy", "alembic", "argon2", "paho", "jmespath"}
# what each may load of the packages above
COMMANDS = {
    ("emc", "--temp", "21.1C", "--rh", "50"): set(),
    ("size", "8 x 7 in", "--species", "white oak", "--to", "16"): set(),
    ("weight", "--start", "212 lb", "--start-mc", "60,64", "--now", "181 lb"): {"numpy"},
    ("guide", "pins"): {"pydantic", "rich"},  # read by Typer, drawn by rich
    ("dewpoint", "--temp", "21C", "--rh", "50"): {"numpy", "psychrolib", "numba", "llvmlite", "scipy"},
}
RUN = """
import atexit, json, sys
from baulk.dashboard import commands
out = sys.stderr
sys.argv = ["baulk", *json.loads(sys.argv[1])]
names = lambda: json.dumps(sorted(sys.modules))
atexit.register(lambda: print("loaded", names(), file=out))
commands.main()
"""


def command(words):
    return [sys.executable, "-c", RUN, json.dumps(list(words))]


def loaded(stderr):
    line = next(each for each in stderr.splitlines() if each.startswith("loaded "))
    names = {each.partition(".")[0] for each in json.loads(line.removeprefix("loaded "))}
    return names & (HEAVY | COMPUTING | READERS | SHOP)


def modules(stderr, folder):
    """Return the names of the loaded modules right below a package."""
    line = next(each for each in stderr.splitlines() if each.startswith("loaded "))
    below = (each.removeprefix(folder) for each in json.loads(line[7:]) if each.startswith(folder))
    return {each for each in below if "." not in each}


@pytest.mark.parametrize("words", COMMANDS, ids=lambda words: words[0])
def test_a_one_off_answer_loads_no_page_drawing_or_printing(words):
    done = subprocess.run(command(words), capture_output=True, text=True, check=False, timeout=120)
    assert done.returncode == 0, done.stderr
    assert loaded(done.stderr) == COMMANDS[words]


def test_a_list_of_timbers_opens_the_shop_and_loads_no_other_command(shop_dir):
    shops.open(shop_dir).close()  # makes the tables, for which it loads more
    words = ("--shop", str(shop_dir), "timber", "list", "--json")
    done = subprocess.run(command(words), capture_output=True, text=True, check=False, timeout=120)
    assert done.returncode == 0, done.stderr
    assert done.stdout == "[]\n"
    assert loaded(done.stderr) <= {"numpy", "sqlalchemy", "jmespath", "pydantic", "asyncio"}
    ours = modules(done.stderr, "baulk.dashboard.commands.")
    assert ours == {"answers", "direct", "former", "help_text", "timber_list"}
    assert "operations" not in modules(done.stderr, "baulk.ingest.")


def test_the_server_and_its_first_page_load_no_chart_table_paper_or_model():
    page = ast.parse((ROOT / "dashboard" / "views" / "yard.py").read_text())
    ours = [ast.unparse(each) for each in page.body if isinstance(each, ast.Import | ast.ImportFrom)]
    run = [*ours, "import json, sys", "import baulk.dashboard.asgi",
           "print('loaded', json.dumps(sorted(sys.modules)), file=sys.stderr)"]  # fmt: skip
    done = subprocess.run(
        [sys.executable, "-c", "\n".join(run)], capture_output=True, text=True, check=False, timeout=120
    )
    assert done.returncode == 0, done.stderr
    assert "baulk.dashboard.sections.yard_list" in done.stderr
    assert not loaded(done.stderr) & {
        "altair", "narwhals", "pydeck", "pandas", "pyarrow", "reportlab", "PIL", "matplotlib", "icalendar",
        "numba", "llvmlite", "scipy", "skfem", "requests", "apprise",
    }  # fmt: skip


def test_what_stays_with_the_page_server_holds_no_model():
    """What it loads once it is quiet; what a person asks is worked out beside it."""
    run = "import json, sys; from baulk.dashboard.server import warm; warm.load()\n"
    run += "import baulk.dashboard.sections.plan_buy\n"
    run += "print('loaded', json.dumps(sorted(sys.modules)), file=sys.stderr)"
    done = subprocess.run(
        [sys.executable, "-c", run], capture_output=True, text=True, check=False, timeout=120
    )
    assert done.returncode == 0, done.stderr
    assert "baulk.dashboard.sections.what_if" in done.stderr
    names = set(json.loads(done.stderr.splitlines()[-1].removeprefix("loaded ")))
    assert not names & {"numba", "llvmlite", "scipy.special", "scipy.optimize", "scipy.sparse", "skfem"}


def test_the_listener_loads_what_it_needs_to_store_readings_and_no_more(shop_dir, oak, embedded_broker):
    path = shop_dir / "baulk.toml"
    path.write_text(path.read_text().replace("port = 1883", f"port = {embedded_broker.port}"))
    with shops.open(shop_dir) as opened:
        opened.register.add(oak)
        topic = f"baulk/v1/{opened.config.slug}/timber/FER-01"
    child = subprocess.Popen(
        command(["--shop", str(shop_dir), "listen"]),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )
    sender = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    try:
        sender.connect(embedded_broker.host, embedded_broker.port)
        sender.loop_start()
        until = time.monotonic() + 60  # the first start of a new folder compiles everything
        stored = []
        while not stored and time.monotonic() < until:
            sender.publish(topic, '[{"n":"weight","u":"kg","v":96.4}]', qos=1).wait_for_publish(5)
            time.sleep(0.2)
            with shops.open(shop_dir) as opened:
                stored = opened.store.latest(Owner.TIMBER, "FER-01")
        assert [each.value for each in stored] == [96.4]
    finally:
        sender.disconnect()
        sender.loop_stop()
        child.send_signal(signal.SIGTERM)
        _, told = child.communicate(timeout=60)
    assert loaded(told) <= {"numpy", "sqlalchemy", "paho", "jmespath", "pydantic", "asyncio", "rich"}


def test_the_watch_over_forecasts_works_nothing_out_itself_and_the_process_that_does_goes(shop_dir, oak):
    with shops.open(shop_dir) as opened:
        opened.register.add(oak)
        now = datetime.now(UTC)
        for hours, name, value in [
            (n, name, v) for n in range(48) for name, v in (("temp", 15), ("humidity", 70))
        ]:
            series = Series.parse(f"air/{oak.place}/{name}")
            at = now - timedelta(hours=hours)
            opened.store.append(
                [Reading(series=series, value=value, taken_utc=at, arrived_utc=at, source="mqtt")]
            )
    watch = subprocess.Popen(
        command(["--shop", str(shop_dir), "forecast", "--watch"]),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        said = next(line for line in watch.stdout if oak.tag in line)
    finally:
        watch.send_signal(signal.SIGTERM)
        _, told = watch.communicate(timeout=120)
    assert said.endswith("evaluated\n")
    line = next(each for each in told.splitlines() if each.startswith("loaded "))
    names = set(json.loads(line.removeprefix("loaded ")))
    assert "baulk.dashboard.commands.forecast_watch" in names
    assert not names & {"numba", "llvmlite", "scipy.special", "scipy.optimize", "scipy.sparse", "skfem"}
    assert not names & (HEAVY | {"rich"})


@pytest.fixture
def without(monkeypatch):
    """Make packages of extras look as if they were not installed."""

    def take_away(*names):
        for name in names:
            for each in [one for one in sys.modules if one == name or one.startswith(f"{name}.")]:
                monkeypatch.delitem(sys.modules, each)
            monkeypatch.setitem(sys.modules, name, None)

    return take_away


def says(extra):
    return rf"needs packages that are not installed here; run: pip install 'baulk\[{extra}\]'"


def test_postgresql_without_its_packages_says_what_to_install(shop_dir, without):
    without("psycopg")
    path = shop_dir / "baulk.toml"
    path.write_text(
        path.read_text().replace(
            'kind = "sqlite"', 'kind = "postgres"\nurl = "postgresql://baulk@127.0.0.1/y"'
        )
    )
    with pytest.raises(ConfigError, match=says("postgres")):
        shops.open(shop_dir)


def test_a_cluster_without_its_packages_says_what_to_install(without):
    without("distributed")
    with pytest.raises(executors.ClusterError, match=says("cluster")):
        executors.Cluster("tcp://127.0.0.1:1")


def test_signing_in_without_its_packages_says_what_to_install(shop_dir, without):
    without("authlib")
    (shop_dir / access.LOGIN_FILE).write_text("[auth]\n")
    with pytest.raises(ConfigError, match=says("login")):
        access.refuse_open(config.load(shop_dir), "127.0.0.1")


def test_notices_without_their_packages_say_what_to_install(without):
    without("apprise")
    failed = notify.send(["json://127.0.0.1:1/", "json://127.0.0.1:2/"], "title", "body")
    assert len(failed) == 2
    for sentence in failed.values():
        assert "pip install 'baulk[notify]'" in sentence


def test_the_demo_without_its_packages_says_what_to_install(tmp_path, without):
    without("pvlib", "iotcore")
    with pytest.raises(weather.NoWeather, match=says("demo")):
        weather.typical_year_file()
    with pytest.raises(broker.NoBroker, match=says("demo") + ", or install mosquitto"):
        broker.plan(tmp_path, 1, mosquitto=None)


def test_the_command_line_says_it_in_one_sentence(shop_dir, tmp_path):
    """Through a whole process, in which the package can really not be imported."""
    (tmp_path / "apprise.py").write_text("raise ImportError('not here')\n")
    (shop_dir / notify.FILE).touch(0o600)
    (shop_dir / notify.FILE).write_text("json://127.0.0.1:1/\n")
    done = subprocess.run(
        command(["--shop", str(shop_dir), "notices", "--test"]),
        env=os.environ | {"PYTHONPATH": f"{tmp_path}{os.pathsep}{os.environ.get('PYTHONPATH', '')}"},
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    assert done.returncode == 1
    said = [line for line in done.stderr.splitlines() if not line.startswith("loaded ")]
    assert said == [
        "baulk: Sending notices needs packages that are not installed here; run: pip install 'baulk[notify]'"
    ]
