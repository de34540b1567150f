"""Files in and out from the command line: seen first, done with --yes, told in JSON."""

from __future__ import annotations

import io
import json
from datetime import timedelta

import pytest

from baulk.dashboard.commands import reading_import
from baulk.ingest import shop as shops
from baulk.models.reading import Reading, Series

HEAD = "tag,species,green,finished,length,use,arrived\n"
GOOD = "FER-07,white oak,8 x 7 3/4 in,6 x 6 in,12 ft,frame-outdoors,2026-05-01\n"
BAD = "FER-08,white oak,8 x 7 3/4 in,6 x 6 in,12 furlongs,frame-outdoors,2026-05-01\n"


@pytest.fixture
def run(baulk, shop_dir):
    def run(*words, code=0):
        done = baulk("--shop", str(shop_dir), *map(str, words))
        assert done.returncode == code, done.stderr
        return done.stdout if code == 0 else done.stderr

    return run


def test_timbers_are_seen_first_and_entered_with_yes(run, shop_dir, tmp_path):
    file, mend = tmp_path / "list.csv", tmp_path / "mend.csv"
    file.write_text(HEAD + GOOD + BAD)
    told = run("timber", "import", file, "--rejected", mend)
    assert "FER-07" in told
    assert "nothing was changed; --yes does it" in told
    assert f"refused: 1; they are in {mend}" in " ".join(told.split())
    assert "12 furlongs" in mend.read_text("utf-8-sig")
    said = json.loads(run("timber", "import", file, "--json"))
    assert [(row["tag"], row["status"], row["done"]) for row in said["rows"]] == [
        ("FER-07", "new", False),
        ("FER-08", "refused", False),
    ]
    assert "timbers entered: 1, changed: 0" in run("timber", "import", file, "--yes", "--by", "Ana")
    with shops.open(shop_dir) as shop:
        assert shop.register.tags() == ("FER-07",)
        assert shop.register.events("FER-07")[0].by == "Ana"
    assert "there already and the same: 1" in run("timber", "import", file, "--yes")
    file.write_text("tag,place\nFER-07,loft\n")
    assert "place shed -> loft" in run("timber", "import", file, "--yes")
    assert "timbers entered: 0, changed: 1" in run("timber", "import", file, "--yes", "--update")


def test_a_file_of_which_every_row_is_refused_ends_with_1_and_says_so(baulk, shop_dir, tmp_path):
    timbers, readings = tmp_path / "list.csv", tmp_path / "readings.csv"
    timbers.write_text(HEAD + BAD)
    readings.write_text("place,quantity,taken,value,unit\nshed,humidity,2026-05-01T10:00Z,damp,%RH\n")
    for what, file in (("timber", timbers), ("reading", readings)):
        for more in ((), ("--yes",)):
            done = baulk("--shop", str(shop_dir), what, "import", str(file), *more)
            assert done.returncode == 1, done.stdout
            assert "refused: 1;" in done.stdout
            assert done.stdout.endswith("nothing was brought in: every row was refused\n")
            assert done.stderr == ""
        done = baulk("--shop", str(shop_dir), what, "import", str(file), "--yes", "--json")
        assert done.returncode == 1
        json.loads(done.stdout)


def test_a_list_with_nothing_under_its_headings_says_so(run, tmp_path):
    file = tmp_path / "list.csv"
    file.write_text(HEAD)
    assert "list.csv has a line of headings, and no timber under it" in run("timber", "import", file)


def test_the_length_of_a_new_timber_is_in_feet_as_in_the_list(run, tmp_path):
    file = tmp_path / "list.csv"
    file.write_text(HEAD + GOOD)
    assert "12 ft" in run("timber", "import", file)  # a list of 144 in would be another word for it


def test_a_loggers_file_by_options_and_by_the_settings(run, shop_dir, tmp_path):
    file = tmp_path / "shed.csv"
    file.write_text("Date;T (C)\n2026-05-01 10:00;12,5\n2026-05-01 11:00;13\n")
    options = ("--time", "Date", "--zone", "Europe/Lisbon", "--column", "T (C)=air/shed/temp:degC")
    said = json.loads(run("reading", "import", file, *options, "--json"))
    assert (said["stored"], said["series"][0]["new"], said["series"][0]["first_utc"]) == (
        None,
        2,
        "2026-05-01T09:00:00+00:00",
    )
    assert "2 readings stored" in run("reading", "import", file, *options, "--yes")
    with (shop_dir / "baulk.toml").open("a") as toml:
        toml.write(
            '[[logger]]\nname = "shed"\ntime = "Date"\nzone = "Europe/Lisbon"\n'
            'columns = { "T (C)" = "air/shed/temp:degC" }\n'
        )
    assert "nothing in it is new" in run("reading", "import", file, "--logger", "shed", "--yes")
    assert "no logger called 'shad'; did you mean shed?" in run(
        "reading", "import", file, "--logger", "shad", code=1
    )
    assert "both --time and at least one --column" in run("reading", "import", file, "--time", "Date", code=1)
    wrong = (*options[:3], "Mars/Olympus", *options[4:])
    assert run("reading", "import", file, *wrong, code=1).count("\n") == 1


def test_what_is_taken_out_is_told(run, shop_dir, now_utc, tmp_path):
    with shops.open(shop_dir) as shop:
        shop.store.append(
            Reading(
                series=Series.parse("air/shed/temp"),
                value=k,
                taken_utc=now_utc + timedelta(hours=k),
                arrived_utc=now_utc,
            )
            for k in range(3)
        )
    said = json.loads(
        run("export", "readings", "-o", tmp_path / "r.csv", "--since", "2026-05-14 10:00+00:00", "--json")
    )
    assert said["rows"] == 2
    assert (
        run("export", "readings", "--place", "shed")
        .splitlines()[0]
        .startswith("series,tag,place,quantity,depth_mm")
    )
    assert "3 readings in" in run("export", "readings", "-o", tmp_path / "r.parquet")
    assert "ends in .csv or .parquet" in run("export", "timbers", "-o", tmp_path / "t.xls", code=1)
    assert "no timber called 'FER-9'" in run("export", "events", "FER-9", code=1)


def test_a_shop_goes_into_a_zip_and_out_of_it(run, baulk, shop_dir, tmp_path):
    said = json.loads(run("backup", "-o", tmp_path / "yard.zip", "--json"))
    assert said["counts"]["reading"] == 0
    assert "test restore passed, all counts agree" in run("backup", "-o", tmp_path)
    night = tmp_path / "usb" / "night"  # as doctor has it done by hand, its folder not yet there
    assert "test restore passed" in run("backup", "-o", night)
    assert [each.suffix for each in night.iterdir()] == [".zip"]
    assert len(list(tmp_path.glob("baulk-test-yard-*.zip"))) == 1
    told = run("restore", tmp_path / "yard.zip", tmp_path / "again")
    assert f"baulk serve --shop {tmp_path / 'again'}" in told  # whole, to be copied
    assert baulk("--shop", str(tmp_path / "again"), "timber", "list").returncode == 0
    assert "is not empty" in run("restore", tmp_path / "yard.zip", tmp_path / "again", code=1)


@pytest.mark.parametrize(("answer", "agreed"), [("y\n", True), ("n\n", False), ("\n", False)])
def test_on_a_terminal_a_person_is_asked(monkeypatch, answer, agreed):
    class Terminal(io.StringIO):
        def isatty(self):
            return True

    monkeypatch.setattr("sys.stdin", Terminal(answer))
    assert reading_import.agreed(yes=False, json=False) is agreed
    assert reading_import.agreed(yes=True, json=False)
    assert not reading_import.agreed(yes=False, json=True)
