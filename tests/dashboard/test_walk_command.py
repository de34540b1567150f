"""`baulk walk`: lines on standard input, questions at a terminal, a sheet whose rows are typed back."""

from __future__ import annotations

import json

import pypdfium2
import pytest
from typer.testing import CliRunner

from baulk.dashboard import commands
from baulk.dashboard.commands import walk
from baulk.ingest import shop as shops
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import AT_LEAST


@pytest.fixture
def run(shop_folder):
    app = commands.build(["walk"])

    def go(*words, lines=""):
        return CliRunner().invoke(app, ["walk", *words], input=lines, env={"BAULK_SHOP": str(shop_folder)})

    return go


def by_hand(folder, tag):
    with shops.open(folder) as shop:
        return [one for one in shop.store.readings(Owner.TIMBER, tag) if one.source == "hand"]


LINES = """
# Monday
FER-01 28.5 at 1 1/4 face b
fer-02 OL at 2 in
FER-03 180 lb
FER-04 26        # where it was read last time
FER-05 31
FER-06 24 at 1
FER-01 wet at 1
"""


def test_a_batch_goes_in_once_and_a_bad_line_holds_up_no_other(run, shop_folder):
    done = run("--by", "Ada", lines=LINES)
    assert done.exit_code == 1
    assert "FER-01: 28.5 %" in done.stdout
    assert "FER-02: at least 30.0 %" in done.stdout
    assert "line 7 not stored: FER-05 31: the reading of FER-05 needs the depth" in done.stdout
    assert "line 8 not stored: FER-06 24 at 1: no timber called 'FER-06'" in done.stdout
    assert "line 9 not stored: FER-01 wet at 1" in done.stdout
    assert "4 of 7 lines stored" in done.stdout
    (pins,) = by_hand(shop_folder, "FER-01")
    assert (pins.value, pins.series.depth_mm, str(pins.series.face)) == (28.5, 31.75, "b")
    assert AT_LEAST in by_hand(shop_folder, "FER-02")[0].flags
    again = run(lines="FER-01 28.5 at 1 1/4 face b\n")  # typed once more the same day
    assert again.exit_code == 0
    assert "was stored already" in again.stdout
    assert len(by_hand(shop_folder, "FER-01")) == 1


def test_an_unlikely_line_waits_for_yes(run, shop_folder):
    doubtful = "FER-03 290 lb\n"
    asked = run("--json", lines=doubtful)
    (row,) = json.loads(asked.stdout)
    assert (asked.exit_code, row["state"]) == (1, "asks")
    assert "heavier" in row["why"]
    assert by_hand(shop_folder, "FER-03") == []
    sure = run("--yes", lines=doubtful)
    assert sure.exit_code == 0, sure.stdout
    assert by_hand(shop_folder, "FER-03")[0].series.quantity is Quantity.WEIGHT


def test_a_batch_of_an_earlier_day_has_its_time(run, shop_folder):
    with shops.open(shop_folder) as shop:
        day = shop.register.get("FER-01").arrived_utc.date().replace(day=28).isoformat()
    run("--at", f"{day} 14:30", lines="FER-01 60 at 1 1/4\n")
    (read,) = by_hand(shop_folder, "FER-01")
    assert read.taken_utc.date().isoformat() == day


def test_at_a_terminal_it_asks_in_the_order_of_the_yard_and_takes_back(run, shop_folder, monkeypatch):
    monkeypatch.setattr(walk, "_at_a_terminal", lambda: True)
    answers = ("29; 178 lb", "", "165", "y", "u", "?", "q")
    done = run(lines="".join(f"{each}\n" for each in answers))
    assert done.exit_code == 0, done.stdout
    assert "1 of 5  FER-01  white oak, 8 x 7 3/4 in, shed" in done.stdout
    assert "expected" in done.stdout
    assert "last 28.0 % at" in done.stdout
    assert "16.5?" in done.stdout
    assert "undone: FER-03" in done.stdout
    assert "2 readings stored" in done.stdout
    assert sorted(round(one.value, 1) for one in by_hand(shop_folder, "FER-01")) == [29.0, 80.7]
    assert by_hand(shop_folder, "FER-03") == []


def test_the_sheet_has_a_row_for_each_timber_and_its_example_goes_in_as_a_line(run, shop_folder, tmp_path):
    file = tmp_path / "walk.pdf"
    done = run("--print", str(file), "--json")
    assert json.loads(done.stdout)["timbers"] == 5
    paper = pypdfium2.PdfDocument(file)
    told = paper[0].get_textpage().get_text_range()
    for n in range(1, 6):
        assert f"FER-0{n}" in told
    assert "no forecast yet" in told  # FER-05
    assert "Weight, lb" in told
    example = " ".join(told.split()).partition("a line each: ")[2].partition(",")[0]
    assert run(lines=f"{example}\n").exit_code == 0
    assert by_hand(shop_folder, "FER-01")[0].value == 28.5
    paper.close()
