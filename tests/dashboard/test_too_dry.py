"""A timber at 5 % for 16 to 22 %, from readings in a shop folder to command, page and record.

It must be told that it swells, by how much, and that it is too dry; held to the printed coefficients of
`tests/reference/dimension-coefficients.csv` (Wood Handbook Table 13-5), of which the program uses none.
"""

from __future__ import annotations

import csv
import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pypdfium2
import pytest
from streamlit.testing.v1 import AppTest
from typer.testing import CliRunner

from baulk.dashboard import commands
from baulk.ingest import shop as shops
from baulk.ingest.evaluation import gather
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import Reading, Series
from baulk.models.section import Finished, Section
from baulk.models.timber import Timber

NOW, DAY, SIDE = datetime.now(UTC), timedelta(days=1), 150.0
DIFFER = (
    0.12  # a fit's pieces differ from an average one in shrinkage and saturation; 15 % from piece to piece
)
(OAK,) = [
    row
    for row in csv.DictReader(
        (Path(__file__).parents[1] / "reference/dimension-coefficients.csv").read_text().splitlines()
    )
    if row["species_or_row"] == "White oak, commercial (group row)"
]


def reading(owner, name, quantity, value, when, depth_mm=None):
    series = Series(owner=owner, name=name, quantity=quantity, depth_mm=depth_mm)
    return Reading(series=series, value=value, taken_utc=when, arrived_utc=when)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    made = shops.init(tmp_path_factory.mktemp("dry") / "yard", name="Dry yard", units="metric")
    timber = Timber(
        tag="DRY-01",
        species="white oak",
        section=Section(width_mm=165, depth_mm=165, pith_x_mm=-2000),
        length_mm=2400,
        finished=Finished(width_mm=SIDE, depth_mm=SIDE),
        use_class="backbone-above-water",
        place="shed",
        arrived_utc=NOW - 60 * DAY,
        green_mc_pct=5.0,
    )
    found = []
    for quarter in range(240):  # 22 degC and 20 % RH, where wood settles at 4.5 %
        for quantity, value in ((Quantity.TEMP, 22.0), (Quantity.HUMIDITY, 20.0)):
            found.append(reading(Owner.AIR, "shed", quantity, value, NOW - 60 * DAY + quarter * DAY / 4))
    for number, value in enumerate((5.4, 6.1, 5.7, 6.3)):
        when = NOW - (50 - 15 * number) * DAY
        found += [
            reading(Owner.TIMBER, "DRY-01", Quantity.MOISTURE, value + deep / 100, when, depth_mm=deep)
            for deep in (15.0, 60.0)
        ]
    with shops.open(made) as opened:
        opened.register.add(timber)
        opened.store.append(found)
        gather.evaluate("DRY-01", opened, NOW)
    return made


@pytest.fixture
def asked(folder, monkeypatch):
    monkeypatch.setenv("COLUMNS", "300")

    def run(*words):
        done = CliRunner().invoke(commands.build(), [*words, "--shop", str(folder)], catch_exceptions=False)
        assert done.exit_code == 0
        return done.stdout

    return run


def test_the_verdict_says_too_dry_and_the_document_has_the_sign_and_size_of_hand_arithmetic(asked):
    (found,) = json.loads(asked("verdict", "DRY-01", "--json"))
    moved, judged = found["movement"], found["verdict"]
    told = {each["code"]: each["values"] for each in judged["reasons_coded"]}
    mean = told["verdict.too_dry"]["mean_pct"][1]  # of the finished piece
    assert 4 < mean < 9
    for name, coefficient in (("width_mm", "CR_per_pct"), ("depth_mm", "CT_per_pct")):
        hand_mm = SIDE * float(OAK[coefficient]) * (19 - mean)
        assert moved[name]["median"] == pytest.approx(hand_mm, rel=DIFFER)
        assert moved[name]["low"] > 0
    for stage, service in (("service_low", 16), ("service_high", 22)):
        hand_mm = SIDE * float(OAK["CT_per_pct"]) * (service - mean)
        assert moved[stage]["size_change_mm"]["median"] == pytest.approx(hand_mm, rel=DIFFER)
    assert judged["step"] == "leave"
    (decides,) = [each for each in judged["stages"] if each["decides"]]
    assert (decides["what"], decides["date"]) == ("settling", None)
    codes = [each["code"] for each in judged["reasons_coded"]]
    assert codes[0] == "verdict.binds"
    assert "verdict.too_dry" in codes[:4]
    assert {"change.right_place", "verdict.shrinkage_done"} & set(codes) == {"change.right_place"}
    assert not [each for each in codes if "drier_air" in each]
    words = asked("verdict", "DRY-01")
    assert "It is too dry for its use" in words
    assert "would still swell" in words


def test_size_tells_the_same_growth(asked):
    said = json.loads(
        CliRunner()
        .invoke(
            commands.build(),
            ["size", "150x150mm", "--species", "white oak", "--from", "5", "--to", "19", "--json"],
        )
        .stdout
    )
    flat = said["sawn"][0]
    assert flat["width_change_mm"] == pytest.approx(150 * float(OAK["CT_per_pct"]) * 14, rel=0.07)
    assert flat["width_mm"] > 150


def test_page_and_record_show_growth_with_its_sign(folder, asked, tmp_path, monkeypatch):
    monkeypatch.setenv("BAULK_SHOP", str(folder))
    app = AppTest.from_file(str(Path(__file__).parents[2] / "dashboard/app.py"), default_timeout=60)
    app.query_params["tag"], app.query_params["open"] = "DRY-01", "why.stays"
    page = app.run().switch_page("views/timber.py").run()
    assert not page.exception
    shown = " ".join([each.proto.body for each in page.get("html")] + [each.value for each in page.caption])
    assert "too dry for its use" in shown
    assert "settling in service, decides" in shown
    assert "a plus that it swells" in shown
    paper = tmp_path / "record.pdf"
    asked("record", "DRY-01", "-o", str(paper))
    document = pypdfium2.PdfDocument(paper.read_bytes())
    text = " ".join(" ".join(each.get_textpage().get_text_range() for each in document).split())
    assert "too dry for its use" in text
    assert "settling in service, decides" in text
    size = text.split("size in its dampest season, 22 %")[1].split()[0]
    assert float(size) == pytest.approx(SIDE * float(OAK["CT_per_pct"]) * 16, rel=0.2)
