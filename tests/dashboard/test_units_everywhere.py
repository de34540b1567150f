"""A reader in millimetres sees no inch that nobody asked for, and the other way round, wherever they read."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pypdfium2
import pytest
from streamlit.testing.v1 import AppTest
from typer.testing import CliRunner

from baulk import dashboard
from baulk.dashboard import commands
from baulk.dashboard.printing import labels, record, record_data
from baulk.dashboard.sections import work_kinds
from baulk.dashboard.server import calendar_file, preferences
from baulk.ingest import shop as shops
from baulk.ingest.mqtt import publish, publish_plan
from baulk.ingest.planning import humidity, kept_air

APP = Path(dashboard.__file__).with_name("app.py")
OTHER = {"inch": "metric", "metric": "inch"}
NOW = datetime.now(UTC).replace(microsecond=0)


@pytest.fixture(scope="module", params=["inch", "metric"])
def yard(request, tmp_path_factory, invented, crawl):
    """A shop of either system, with two timbers worked out for real; its folder and its units."""
    folder = shops.init(
        tmp_path_factory.mktemp("yard") / "shop", name="Reedmouth ferry yard", units=request.param
    )
    return crawl.yard(folder, invented), request.param


class Reader:
    """A person at the pages, who chose other units than the shop's, or none."""

    def __init__(self, app, system, crawl):
        self.app, self.system, self.crawl = app, system, crawl
        app.run()

    def go(self, page, tag=None):
        self.app.switch_page(f"views/{page}.py")
        if tag:
            self.app.query_params["tag"] = tag
        elif "tag" in self.app.query_params:
            del self.app.query_params["tag"]
        self.app.run()

    def wrong(self):
        """Return what is shown in the other system."""
        assert not self.app.error
        return self.foreign()

    def foreign(self):
        """Return what is shown in the other system, errors too."""
        assert not self.app.exception
        return self.crawl.foreign(self.crawl.on_page(self.app), self.system)


@pytest.fixture(params=[False, True], ids=["the shop's units", "other units"])
def reader(request, yard, monkeypatch, crawl):
    folder, units = yard
    system = OTHER[units] if request.param else units
    monkeypatch.setenv("BAULK_SHOP", str(folder))
    app = AppTest.from_file(str(APP), default_timeout=120)
    if request.param:
        app.session_state["me"] = preferences.Chosen(
            system=system, temperature="F" if system == "inch" else "C"
        )
    return Reader(app, system, crawl)


def test_the_pattern_finds_what_it_should_and_nothing_else(crawl):
    for line in ("7 3/4 in", '8" wide', "212 lb", "11 ft 10 in", "it is 68 °F", "likely, in", "2 in deep"):
        assert crawl.foreign([line], "metric") == [line]
        assert crawl.foreign([line], "inch") == []
    for line in ("197 mm", "96 kg", "3.60 m", "20 °C", "likely, mm", "0.1 m3", "520 kg/m3"):
        assert crawl.foreign([line], "inch") == [line]
        assert crawl.foreign([line], "metric") == []
    for line in (
        "9 in 10",
        "1 in 400 of the length",
        "2 in quarantine",
        "3 in the last week",
        "in all",
        "5 MΩ",
    ):
        assert crawl.foreign([line], "metric") == crawl.foreign([line], "inch") == []


def test_the_yard_and_its_notices(reader):
    reader.go("yard")
    assert reader.wrong() == []
    shown = " ".join(reader.crawl.on_page(reader.app))
    for kind in ("contradiction", "suspected pins", "stuck value", "quarantine"):
        assert kind in shown


FOLDS = "why.forecast.stays.readings.earlier.if.checks.lies.history.source.files"


@pytest.mark.parametrize("tag", ["FER-01", "FER-02", "FER-03"])
def test_the_page_of_a_timber(reader, tag):
    reader.app.query_params["open"] = FOLDS
    reader.go("timber", tag)
    assert len(reader.app.get("expander")) >= 6  # without an evaluation those of it are not there
    assert reader.wrong() == []


def test_the_forms_of_a_timber(reader):
    reader.app.query_params["do"] = "reading"
    reader.go("timber", "FER-01")
    assert reader.wrong() == []
    reader.app.segmented_control(key="reading_kind-FER-01").set_value("weight").run()
    assert reader.wrong() == []
    reader.app.query_params["do"] = "work"
    reader.go("timber", "FER-01")
    for kind, offered in work_kinds.KINDS.items():
        first = kind in work_kinds.FIRST
        reader.app.button_group(key="work_kind").set_value(offered.word if first else "Other").run()
        if not first:
            reader.app.selectbox(key="work_other").set_value(kind).run()
        assert reader.wrong() == []


def test_a_timber_whose_finished_size_were_another(reader):
    reader.app.query_params["open"] = "if"
    reader.go("timber", "FER-01")
    next(each for each in reader.app.button if each.label == "Calculate").click().run()
    assert reader.wrong() == []


def test_the_arrival_of_a_timber(reader):
    reader.go("arrival")
    assert reader.wrong() == []
    reader.app.text_input(key="arrival_green").set_value("200 x 200 mm").run()
    for n in range(len(reader.app.radio(key="arrival_pith").options)):
        reader.app.radio(key="arrival_pith").set_value(reader.app.radio(key="arrival_pith").options[n])
    assert reader.wrong() == []


def test_the_round_of_readings(reader):
    reader.go("readings", "FER-01")
    assert reader.wrong() == []
    for depth in ("30 mm", "3 m"):  # the second can't be, and is told with the limit
        for label, typed in (("Meter says, % MC", "60"), ("Pin depth", depth)):
            next(each for each in reader.app.text_input if each.label == label).set_value(typed)
        save(reader)
    reader.app.segmented_control(key="reading_kind-FER-01").set_value("weight").run()
    for weight in ("200 kg", "40 kg"):
        next(each for each in reader.app.text_input if each.label == "Weight").set_value(weight)
        save(reader)


def save(reader):
    next(each for each in reader.app.button if each.label.startswith("Save")).click().run()
    assert reader.foreign() == []


def test_the_air_of_the_shop(reader):
    reader.go("air")
    reader.app.selectbox(key="air_place").set_value("shed").run()
    assert reader.wrong() == []


def test_a_plan_of_the_shops_humidity(reader):
    reader.go("air")
    reader.app.selectbox(key="air_place").set_value("shed").run()
    reader.app.text_input(key="plan_volume").set_value("90 m3")
    reader.app.text_input(key="plan_changes").set_value("0.5")
    next(each for each in reader.app.button if each.label == "Save and calculate").click().run()
    assert reader.wrong() == []


@pytest.mark.parametrize("way", ["order", "timber", "parts"])
def test_a_plan_of_sawing_and_buying(reader, way):
    reader.go("plans")
    assert reader.wrong() == []
    if way == "order":
        reader.app.text_input(key="plan_finished").set_value("150 x 150 mm")
        reader.app.text_input(key="plan_length").set_value("3 m")
        reader.app.selectbox(key="plan_species").set_value("white oak").run()
    else:
        reader.app.segmented_control(key="plan_way").set_value(way).run()
    assert reader.wrong() == []


def test_the_health_of_sensors_and_what_can_be_brought_in(reader):
    reader.go("health")
    assert reader.wrong() == []
    reader.go("files")
    assert reader.wrong() == []
    for kind in ("long", "logger", "out"):
        reader.app.segmented_control(key="bring_kind").set_value(kind).run()
        assert reader.wrong() == []


# --- paper, messages and commands: in the shop's units, or in those asked for


def text_of(pdf):
    document = pypdfium2.PdfDocument(pdf)
    found = " ".join(" ".join(page.get_textpage().get_text_range() for page in document).split())
    document.close()
    return found


@pytest.mark.parametrize("other", [False, True])
def test_the_record_the_labels_and_the_calendar(yard, crawl, other):
    folder, units = yard
    system = OTHER[units] if other else units
    with shops.open(folder) as shop:
        how = {"system": system, "temperature": "F" if system == "inch" else "C"}
        held = [record_data.record(shop, each.tag, NOW, **how) for each in shop.register.list()]
        timbers, uses = shop.register.list(), shop.woods.use_classes
    texts = [text_of(record.pdf(each)) for each in held]
    sheet = labels.named(labels.rolls(system)[0])
    texts.append(
        text_of(labels.labels(timbers, sheet=sheet, url="http://yard.local", system=system, uses=uses))
    )
    ics = calendar_file.calendar(held, shop="Yard", slug="yard").decode()
    texts.append(ics.replace("\r\n ", "").replace("\\n", " "))
    lines = [line for text in texts for line in text.split(". ")]
    assert crawl.foreign(lines, system) == []


def test_every_retained_message(yard, crawl):
    folder, units = yard
    with shops.open(folder) as shop:
        sent = list(publish.messages(shop))
    assert {each.topic.rpartition("/")[2] for each in sent} >= {"notices"}
    lines = [line for each in sent for line in crawl.strings(json.loads(each.payload))]
    assert lines
    assert crawl.foreign(lines, units) == []


def test_the_retained_plan_of_a_room(yard, crawl):
    folder, units = yard
    with shops.open(folder) as shop:
        made = humidity.plan(shop, humidity.Asked(place="shed", volume_m3=90.0, air_changes_per_h=0.5), NOW)
    answer = replace(kept_air.answer(made), set_pct=60.0)
    lines = list(crawl.strings(json.loads(publish_plan.payload(answer, NOW + timedelta(days=1), NOW, units))))
    assert crawl.foreign(lines, units) == []


COMMANDS = [
    ("timber", "list"),
    ("timber", "show", "FER-01"),
    ("timber", "history", "FER-01"),
    ("place", "list"),
    ("reading", "list", "FER-01"),
    ("quarantine", "list"),
    ("quarantine", "groups"),
    ("reading", "meter"),
    ("verdict",),
    ("verdict", "FER-01"),
    ("verdict", "FER-02"),
    ("verdict", "FER-01", "--below", "19", "--where", "50 mm"),
    ("notices",),
    ("doctor",),
    ("plan", "air", "--place", "shed"),
    ("plan", "size", "FER-01"),
    ("plan", "buy"),
]


def said(folder, words):
    done = CliRunner().invoke(
        commands.build((words[0],)), [*words], env={"BAULK_SHOP": str(folder), "COLUMNS": "1000"}
    )
    assert done.exit_code == 0, (words, done.output, done.exception)
    return done.output


@pytest.mark.parametrize("words", COMMANDS, ids=" ".join)
def test_what_a_command_says(yard, crawl, words):
    folder, units = yard
    assert crawl.foreign(said(folder, words).splitlines(), units) == []
