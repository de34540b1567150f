"""The command line as a person meets it: answers, both unit systems, and one sentence for every mistake."""

from __future__ import annotations

import json
import os
import re
import select
import socket
import subprocess
import sys

import pytest
from typer.testing import CliRunner

from baulk.dashboard import commands
from baulk.ingest import pipeline
from baulk.ingest import shop as shops
from baulk.ingest.errors import Unlikely
from baulk.ingest.store import notes
from baulk.ingest.wire.message import RawMessage
from baulk.models.errors import OutOfRange

SUBCOMMANDS = [
    *[(name,) for name in commands.COMMANDS],
    *[("timber", each) for each in ("add", "edit", "list", "show", "move", "undo", "attach")],
    *[("place", each) for each in ("list", "set")],
    *[("reading", each) for each in ("add", "list", "meter")],
    *[("quarantine", each) for each in ("groups", "list", "retry", "discard", "export", "settle")],
    *[("sensor", each) for each in ("enrol", "revoke", "list", "accounts")],
]
WITHOUT_ANSWER = {
    "demo",
    "serve",
    "listen",
    "forward",
    "dashboard",
    "timber",
    "place",
    "sensor",
    "plan",
    "reading",
    "quarantine",
    "store",
    "export",
}  # or only through parts of it
OAK = (
    "timber", "add", "--species", "white oak", "--size", "8 x 7 3/4", "--finished", "6 x 6 in",
    "--length", "12 ft", "--use", "backbone-above-water", "--at", "2026-01-05",
)  # fmt: skip


@pytest.fixture(scope="module")
def app():
    return commands.build()


@pytest.fixture
def here(app, shop_dir, monkeypatch):
    """Run a command in this process on a small shop; an error made on purpose is raised to the test."""
    monkeypatch.setenv("COLUMNS", "120")

    def run(*words):
        return CliRunner().invoke(app, list(words), env={"BAULK_SHOP": str(shop_dir)}, catch_exceptions=False)

    return run


@pytest.mark.parametrize("words", SUBCOMMANDS, ids=" ".join)
def test_every_command_explains_itself(app, words):
    done = CliRunner().invoke(app, [*words, "--help"])
    assert done.exit_code == 0
    lines = [line.strip() for line in done.stdout.partition("Usage")[2].splitlines()[1:]]
    explained = " ".join(lines[: next(i for i, line in enumerate(lines) if line.startswith("\u256d"))])
    assert len(explained.strip()) > 25
    assert "--json" in done.stdout or words[0] in WITHOUT_ANSWER


def test_every_command_stands_in_the_overview_without_being_imported():
    code = (
        "import sys; sys.argv = ['baulk', '--help']\n"
        "from baulk.dashboard import commands\n"
        "try: commands.main()\n"
        "except SystemExit: pass\n"
        "heavy = {'streamlit', 'numba', 'skfem', 'sqlalchemy', 'pandas', 'numpy'} & set(sys.modules)\n"
        "sys.exit(f'loaded {heavy}' if heavy else 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    assert all(name in done.stdout for name in commands.COMMANDS)


def test_emc_loads_neither_pages_nor_solver():
    code = (
        "import sys; sys.argv = ['baulk', 'emc', '--temp', '20C', '--rh', '50']\n"
        "from baulk.dashboard import commands\n"
        "try: commands.main()\n"
        "except SystemExit: pass\n"
        "heavy = {'streamlit', 'numba', 'skfem', 'sqlalchemy', 'pandas'} & set(sys.modules)\n"
        "sys.exit(f'loaded {heavy}' if heavy else 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.parametrize("temp", ["70F", "21.1C", "21.11 °C", "70 degF"])
def test_emc_takes_both_systems_and_meets_the_printed_table(here, temp):
    done = here("emc", "--temp", temp, "--rh", "50", "--json")
    # Wood Handbook FPL-GTR-282, table 4-2: 9.2 % at 21.1 degC (70 degF) and 50 %; half the last digit and
    # what eq. 4-5 itself misses of the table (0.07)
    assert json.loads(done.stdout)["emc_pct"] == pytest.approx(9.2, abs=0.07)


def test_the_dew_point_of_saturated_air_is_its_temperature(here):
    answer = json.loads(here("dewpoint", "--temp", "50F", "--rh", "100", "--json").stdout)
    assert answer["dewpoint_c"] == pytest.approx(10.0, abs=0.02)


def test_a_timber_is_entered_listed_and_shown_in_the_units_it_came_in(here):
    added = json.loads(here(*OAK, "--json").stdout)
    assert added["section"]["depth_mm"] == pytest.approx(7.75 * 25.4)
    assert added["length_mm"] == pytest.approx(12 * 304.8)
    listed = here("timber", "list").stdout
    assert "8 x 7 3/4 in" in listed
    shown = here("timber", "show", added["tag"]).stdout
    assert "boxed heart" in shown
    assert [each["tag"] for each in json.loads(here("timber", "list", "--json").stdout)] == [added["tag"]]


def test_metric_sizes_and_a_pith_outside_are_taken_too(here):
    words = ("timber", "add", "--species", "tamarack", "--size", "127x127 mm", "--finished", "100 x 100 mm")
    rest = ("--length", "2.1 m", "--use", "frame-outdoors", "--pith", "10 x -90 mm", "--json")
    added = json.loads(here(*words, *rest).stdout)
    assert (added["section"]["width_mm"], added["section"]["pith_y_mm"]) == (127.0, -90.0)
    assert "free of heart" in here("timber", "show", added["tag"]).stdout


def test_readings_by_hand_are_stored_once_and_in_the_fixed_units(here):
    tag = json.loads(here(*OAK, "--json").stdout)["tag"]
    pin = ("reading", "add", tag, "moisture", "23.5%", "--depth", "1 3/4 in", "--face", "b")
    first = json.loads(here(*pin, "--at", "2026-03-01 12:00", "--json").stdout)
    assert first["series"] == f"timber/{tag}/pin-44.45/b/moisture"
    assert (first["value"], first["new"]) == (23.5, True)
    assert json.loads(here(*pin, "--at", "2026-03-01 12:00", "--json").stdout)["new"] is False
    weight = json.loads(here("reading", "add", tag, "weight", "212 lb", "--json").stdout)
    assert weight["value"] == pytest.approx(212 * 0.45359237)
    air = json.loads(here("reading", "add", "--air", "shed", "temp", "68F", "--json").stdout)
    assert air["value"] == pytest.approx(20.0)
    assert len(json.loads(here("reading", "list", tag, "--days", "3650", "--json").stdout)) == 2


def test_the_meter_is_asked_about_with_its_first_reading_and_never_after_an_answer(here):
    here(*OAK)
    tag = json.loads(here("timber", "list", "--json").stdout)[0]["tag"]
    pin = ("reading", "add", tag, "moisture", "--depth", "45 mm")
    assert (
        "correct for the wood's temperature by itself"
        not in here("reading", "add", tag, "weight", "96 kg").stdout
    )
    said = here(*pin, "23.5").stdout
    assert "reading meter --corrects-temperature yes|no|unknown" in " ".join(said.split())
    assert json.loads(here("reading", "meter", "--json").stdout) == {
        "corrects_temperature": None,
        "asked": False,
    }
    assert "Nobody has answered yet" in here("reading", "meter").stdout
    assert "does not correct" in here("reading", "meter", "--corrects-temperature", "no").stdout
    assert "temperature" not in here(*pin, "24", "--at", "2026-01-06").stdout
    assert "by itself" in here("reading", "meter", "--corrects-temperature", "yes").stdout
    assert "wider range" in here("reading", "meter", "--corrects-temperature", "unknown").stdout
    answer = json.loads(here("reading", "meter", "--json").stdout)
    assert (answer["corrects_temperature"], answer["asked"]) == (None, True)


@pytest.mark.parametrize(
    ("typed", "corrects"), [("1", True), ("no", False), ("Don't know", None), ("maybe\n2", False)]
)
def test_a_person_at_a_terminal_is_asked_and_asked_again_after_nonsense(shop_dir, app, typed, corrects):
    """`reading add` under a real pseudo-terminal."""
    import pty  # noqa: PLC0415

    CliRunner().invoke(app, list(OAK), env={"BAULK_SHOP": str(shop_dir)}, catch_exceptions=False)
    with shops.open(shop_dir) as opened:
        tag = opened.register.list()[0].tag
    ours, theirs = pty.openpty()
    words = ["reading", "add", tag, "moisture", "23.5", "--depth", "45 mm", "--shop", str(shop_dir)]
    code = "import sys; from baulk.dashboard import commands; commands.build()(sys.argv[1:])"
    child = subprocess.Popen(
        [sys.executable, "-c", code, *words],
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
        start_new_session=True,
    )
    os.close(theirs)
    seen, answers = "", typed.split("\n")
    try:
        while child.poll() is None and select.select([ours], [], [], 30)[0]:
            try:
                seen += os.read(ours, 4096).decode()
            except OSError:  # the other end was closed
                break
            if answers and seen.rstrip().endswith("Which:"):
                os.write(ours, answers.pop(0).encode() + b"\n")
                seen = ""
        assert child.wait(10) == 0, seen
    finally:
        child.kill()
        os.close(ours)
    with shops.open(shop_dir) as opened:
        assert notes.hand_meter(opened.store).corrects_temperature is corrects


def test_the_meter_is_on_record_once_and_a_reading_names_it(here):
    tag = json.loads(here(*OAK, "--json").stdout)["tag"]
    given = ("--make", "Reedmouth M2", "--serial", "17", "--scale", "douglas fir", "--top", "26")
    said = here("reading", "meter", *given).stdout
    assert "Reedmouth M2, number 17, set to Douglas-fir, its scale ends at 26 %" in " ".join(said.split())
    assert "Nobody has answered yet" in said
    read = here("reading", "add", tag, "moisture", "OL", "--depth", "1 in").stdout
    assert "at least 26.0 %" in read
    assert "read with Reedmouth M2" in read
    here("reading", "meter", "--scale", "own", "--top", "0", "--corrects-temperature", "no")
    row = json.loads(here("reading", "meter", "--json").stdout)
    told = (row["make"], row["scale"], row["top_pct"], row["corrects_temperature"])
    assert told == ("Reedmouth M2", "", None, False)


def test_a_timber_without_an_evaluation_says_so(here):
    tag = json.loads(here(*OAK, "--json").stdout)["tag"]
    assert "not computed yet" in here("verdict", tag).stdout
    assert json.loads(here("verdict", "--json").stdout) == [{"tag": tag, "verdict": None}]


def test_quarantine_is_listed_with_its_reason_and_replayed_once_the_tag_is_entered(here, shop_dir, now_utc):
    unknown = RawMessage(
        topic="baulk/v1/test-yard/timber/NEW-7",
        payload=b'[{"n":"weight","u":"kg","v":96.4,"t":1773500000}]',
        arrived_utc=now_utc,
        retained=False,
    )
    broken = RawMessage(
        topic="baulk/v1/test-yard/timber/NEW-7", payload=b"\xff[", arrived_utc=now_utc, retained=False
    )
    with shops.open(shop_dir) as shop:
        assert [pipeline.handle(each, shop) for each in (unknown, broken)] == [0, 0]
    rows = json.loads(here("quarantine", "list", "--json").stdout)
    assert len(rows) == 2
    assert all(row["reason"] for row in rows)
    assert "NEW-7" in here("quarantine", "groups").stdout
    assert "`baulk quarantine list`" in here("reading", "quarantine").stdout
    seen = json.loads(here("quarantine", "retry", "--preview", "--json").stdout)
    assert (seen["stored"], seen["settled"], seen["left"]) == (0, 0, 2)
    entered = here(*OAK, "NEW-7")
    assert "are now stored: 1." in entered.stdout
    after = json.loads(here("quarantine", "retry", "--json").stdout)
    assert (after["stored"], after["left"]) == (0, 1)
    assert json.loads(here("reading", "list", "NEW-7", "--days", "3650", "--json").stdout)[0]["value"] == 96.4


def test_a_humidity_may_carry_its_sign(here):
    plain, signed = (here("emc", "--temp", "20C", "--rh", rh, "--json").stdout for rh in ("50", "50 %"))
    assert json.loads(plain) == json.loads(signed)


MISTAKES = {
    "a temperature without unit": (("emc", "--temp", "68", "--rh", "50"), "needs its unit"),
    "a humidity beyond reach": (("emc", "--temp", "20C", "--rh", "140"), "140"),
    "a temperature far off": (("emc", "--temp", "500C", "--rh", "50"), "500"),
    "a humidity with a comma": (("emc", "--temp", "20C", "--rh", "50,5"), "decimal point"),
    "a moisture with a comma": (("size", "8x7in", "--species", "teak", "--to", "12,5"), "decimal point"),
    "one section with a comma": (
        ("weight", "--start", "96kg", "--start-mc", "60,5", "--now", "81kg"),
        "a single one is written with a decimal point",
    ),
    "a weight at a moisture with a comma": (
        ("weight", "--species", "teak", "--size", "8x7in", "--length", "8ft", "--mc", "12,5"),
        "decimal point",
    ),
    "humidity that is no number": (("emc", "--temp", "20C", "--rh", "nan"), "nan"),
    "an unknown tag": (("timber", "show", "NIX-1"), "no timber called 'NIX-1'"),
    "an unknown species": ((*OAK[:3], "white oke", *OAK[4:]), "did you mean"),
    "an unknown use class": ((*OAK[:11], "backbone", *OAK[12:]), "use class"),
    "a finished size that does not fit": ((*OAK[:7], "9 x 6 in", *OAK[8:]), "does not fit"),
    "a size that is none": ((*OAK[:5], "eight", *OAK[6:]), "looks like"),
    "a reading of an unknown tag": (("reading", "add", "NIX-1", "weight", "90 kg"), "no timber called"),
    "a weight that is no number": (("reading", "add", "--air", "shed", "temp", "warm"), "'warm'"),
    "air that is impossible": (("reading", "add", "--air", "shed", "temp", "230F"), "temp"),
    "a pin without depth": (("reading", "add", "--air", "shed", "moisture", "20"), "depth"),
    "a size in another unit": ((*OAK[:5], "203 x 178", *OAK[6:7], "152 x 152", *OAK[8:]), "203 x 178 mm"),
    "a humidity of a share": (
        ("reading", "add", "--air", "shed", "humidity", "0.82"),
        "say it again with --yes",
    ),
    "a time to come": (("reading", "add", "--air", "shed", "temp", "20C", "--at", "2199-01-01"), "future"),
    "a verdict on an unknown tag": (("verdict", "NIX-1"), "no timber called"),
    "--watch with a tag": (("forecast", "A", "--watch"), "--watch"),
    "a shop that is none": (("timber", "list", "--shop", "/nonexistent"), "baulk init"),
}


@pytest.mark.parametrize("words", list(MISTAKES), ids=str)
def test_a_mistake_is_one_sentence_and_never_a_traceback(monkeypatch, capsys, shop_dir, words):
    given, part = MISTAKES[words]
    monkeypatch.setenv("BAULK_SHOP", str(shop_dir))
    monkeypatch.setattr(sys, "argv", ["baulk", *given])
    with pytest.raises(SystemExit) as end:
        commands.main()
    out, err = capsys.readouterr()
    assert (end.value.code, out) == (1, "")
    assert part in err
    assert err.startswith("baulk: ")
    assert len(err.splitlines()) == 1


def test_a_wrong_option_is_a_usage_error(baulk):
    done = baulk("emc", "--heat", "20C")
    assert done.returncode == 2
    assert "Traceback" not in done.stderr


def test_an_unexpected_fault_says_how_to_see_more(monkeypatch, capsys):
    def broken(*_words):
        raise RuntimeError("two\nlines")

    monkeypatch.setattr(commands, "build", broken)
    monkeypatch.setattr(sys, "argv", ["baulk", "emc"])
    with pytest.raises(SystemExit) as end:
        commands.main()
    err = capsys.readouterr().err
    assert end.value.code == 1
    assert "RuntimeError: two lines" in err
    assert commands.DETAIL in err
    monkeypatch.setenv(commands.DETAIL, "1")
    with pytest.raises(RuntimeError):
        commands.main()


def test_what_was_understood_is_said_back_and_what_is_unlikely_wants_a_yes(here):
    words = ("timber", "add", "--tag", "WO-1", "--species", "white oak", "--size", "8x8", "--finished", "6x6")
    added = here(*words, "--length", "10", "--use", "backbone-above-water", "--arrived", "2026-01-05").stdout
    said = r"WO-1: white oak, 8 x 8 in green, 6 x 6 in finished, 10 ft, about 2\d\d lb"
    assert re.search(said, " ".join(added.split()))
    weigh = ("reading", "add", "WO-1", "weight")
    with pytest.raises(OutOfRange, match=r"every pore full"):
        here(*weigh, "1300 lb")
    told = here(*weigh, "240 lb", "--at", "2026-01-06").stdout
    assert "stored: weight of WO-1: 240 lb" in told
    with pytest.raises(Unlikely, match=r"28 % more.*Nothing was entered"):
        here(*weigh, "307", "--at", "2026-01-07")
    assert "stored: weight of WO-1: 307 lb" in here(*weigh, "307", "--at", "2026-01-07", "--yes").stdout
    with pytest.raises(OutOfRange, match="need the depth of their tips"):
        here("reading", "add", "WO-1", "moisture", "20")


def test_in_a_metric_shop_eight_by_eight_is_asked_about(app, tmp_path):
    shops.init(tmp_path / "yard", name="Yard", units="metric")
    words = [
        *OAK[:5],
        "8x8",
        "--finished",
        "6x6",
        "--length",
        "3 m",
        *OAK[10:],
        "--shop",
        str(tmp_path / "yard"),
    ]
    with pytest.raises(OutOfRange, match=r'Did you mean "8 x 8 in"\?'):
        CliRunner().invoke(app, words, catch_exceptions=False)


@pytest.mark.parametrize(
    ("environment", "units"),
    [
        ({"LANG": "en_US.UTF-8"}, "inch"),
        ({"LANG": "en_US.UTF-8", "LC_MEASUREMENT": "de_DE.UTF-8"}, "metric"),
        ({"LANG": "C.UTF-8"}, "metric"),
        ({}, "metric"),
    ],
)
def test_init_without_units_takes_those_of_the_machine_and_says_so(app, tmp_path, environment, units):
    blank = dict.fromkeys(("LC_ALL", "LC_MEASUREMENT", "LANG"), "")
    done = CliRunner().invoke(app, ["init", str(tmp_path / "yard")], env={**blank, **environment})
    assert f"units: {units}, as this machine is set up; --units" in done.stdout
    with shops.open(tmp_path / "yard") as opened:
        assert opened.config.shop.units == units


def test_init_asks_for_the_units_on_a_terminal(tmp_path):
    there, ours = os.openpty()
    child = subprocess.Popen(
        [sys.executable, "-P", "-m", "baulk.dashboard.commands", "init", str(tmp_path / "yard")],
        stdin=ours, stdout=ours, stderr=ours, env={**os.environ, "LANG": "C.UTF-8"},
    )  # fmt: skip
    os.write(there, b"inch\n")
    assert child.wait(60) == 0
    os.close(ours)
    os.close(there)
    with shops.open(tmp_path / "yard") as opened:
        assert opened.config.shop.units == "inch"


def test_init_refuses_to_overwrite_a_shop(baulk, tmp_path):
    assert baulk("init", str(tmp_path / "yard"), "--units", "inch").returncode == 0
    again = baulk("init", str(tmp_path / "yard"))
    assert again.returncode == 1
    assert again.stderr.count("\n") == 1


@pytest.mark.parametrize("words", [("dashboard",), ("serve",), ("demo",)], ids=" ".join)
def test_a_taken_port_is_said_in_one_sentence(baulk, shop_dir, words):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = str(taken.getsockname()[1])
        done = baulk(*words, "--port", port, BAULK_SHOP=str(shop_dir))
    assert done.returncode == 1
    assert f"port {port} is taken" in done.stderr
    assert done.stderr.count("\n") == 1


def test_a_closed_broker_is_said_in_one_sentence(baulk, shop_dir, free_port):
    settings = shop_dir / "baulk.toml"
    settings.write_text(settings.read_text().replace("port = 1883", f"port = {free_port}"))
    done = baulk("listen", "--once", "--shop", str(shop_dir))
    assert done.returncode == 1
    assert "broker" in done.stderr
    assert "Traceback" not in done.stderr


def test_a_store_that_is_none_is_said_in_one_sentence(baulk, shop_dir):
    for path in shop_dir.glob("shop.db*"):
        path.unlink()
    done = baulk("timber", "list", "--shop", str(shop_dir))
    assert done.returncode == 1
    assert done.stderr.count("\n") == 1
    (shop_dir / "shop.db").write_bytes(b"not a database, but long enough to be taken for one" * 40)
    done = baulk("timber", "list", "--shop", str(shop_dir))
    assert done.returncode == 1
    assert done.stderr.count("\n") == 1


def test_the_shop_may_be_named_before_the_command_too(baulk, shop_dir):
    done = baulk("--shop", str(shop_dir), "timber", "list", "--json")
    assert (done.returncode, json.loads(done.stdout)) == (0, [])
    assert baulk(f"--shop={shop_dir}", "verdict", "--json").stdout.strip() == "[]"


def test_a_finished_piece_is_laid_where_it_is_wanted(here):
    words = ("timber", "add", "--species", "tamarack", "--size", "8 x 8 in", "--finished", "4 x 4 in")
    rest = ("--length", "3 m", "--use", "frame-outdoors", "--centre", "0 x 1 1/2 in", "--pith", "0 x -1 in")
    tag = json.loads(here(*words, *rest, "--json").stdout)["tag"]
    assert "a 1/2 in, b 2 in, c 3 1/2 in, d 2 in" in here("timber", "show", tag).stdout
