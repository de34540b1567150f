"""A room's plan on its page and from the command line."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import fields
from types import SimpleNamespace

import pytest
from typer.testing import CliRunner

from baulk.dashboard import commands, plan_rows
from baulk.dashboard.charts import humidity
from baulk.dashboard.commands import plan as group
from baulk.dashboard.sections import air_room, humidity_plan
from baulk.ingest import shop as shops
from baulk.ingest.planning import kept_air
from baulk.models.errors import OutOfRange
from baulk.models.plan.humidity.air_plan import AirPlan
from baulk.models.quantity import Owner

FITTED = True


def run(*words):
    return CliRunner().invoke(commands.build(("plan",)), ["plan", "air", *words])


@pytest.fixture
def planned(shop_folder):
    """One plan of the invented yard, as the command gives it."""
    return json.loads(run("--shop", str(shop_folder), "--hold", "16C,70", "--volume", "300 m3", "--json",
                          "--air-changes", "0.5", "--power-price", "0.25").stdout)  # fmt: skip


def test_the_keys_of_json_are_the_fields_of_the_plan(planned):
    assert [each for each in planned if not each.endswith("_coded")] == [
        each.name for each in fields(AirPlan)
    ]
    assert planned["changes_coded"][-1]["code"] == "humidity.more_readings"
    assert len(planned["assumptions"]) == len(planned["assumptions_coded"])
    assert all(isinstance(each, str) for each in planned["assumptions"])
    assert planned["what_if"] is True
    assert planned["held_c"] == 16.0
    assert {each["set_pct"] for each in planned["weeks"]} == {70.0}
    assert planned["machines"][0]["cost"] == pytest.approx(0.25 * planned["machines"][0]["kwh"])


def test_the_command_says_the_plan_its_assumptions_and_what_would_change_it(shop_folder):
    said = run("--shop", str(shop_folder), "FER-04", "--strict").stdout
    assert "With this plan FER-04" in said or "FER-04 does not reach" in said
    assert "dew on timber that is colder than the air" in said
    assert "Every stage of the published safe start is kept to its end" in said
    assert "Assumptions:" in said
    assert "What would change it:" in said


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (("--hold", "warm"), "looks like '16C,70'"),
        (("--hold", "16C,170"), "looks like '16C,70'"),
        (("--finished-mc", "dry"), "looks like '8,12'"),
        (("--place", "shedd"), "did you mean shed"),
        (("--temp", "160C"), "was it in °F"),
        (("FER-99",), "no timber called 'FER-99'"),
        (("--power-price", "-1"), "the price"),
    ],
)
def test_what_cannot_be_is_refused_in_a_sentence(shop_folder, words, why):
    done = run("--shop", str(shop_folder), *words)
    assert done.exit_code == 1
    assert why in str(done.exception)


@pytest.mark.parametrize("shop_folder", [{"full": False}], indirect=True)
def test_an_empty_yard_says_what_to_do(shop_folder):
    assert "baulk timber add" in str(run("--shop", str(shop_folder)).exception)


def test_help_of_the_group_imports_no_plan():
    code = (
        "import sys; from typer.testing import CliRunner; from baulk.dashboard import commands;"
        "out = CliRunner().invoke(commands.build(('plan',)), ['plan', '--help']).stdout;"
        "assert 'air' in out, out; assert 'numba' not in sys.modules and 'streamlit' not in sys.modules;"
        "assert 'baulk.dashboard.commands.plan_air' not in sys.modules"
    )
    done = subprocess.run([sys.executable, "-P", "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "air" in group.PLANS


def press(app, label):
    next(each for each in app.button if each.label == label).click().run()
    assert not app.exception


def told(app):
    return "\n".join(each.value for each in (*app.markdown, *app.caption, *app.info)) + "\n".join(
        each.proto.body for each in app.get("html")
    )


def test_the_page_reads_the_plan_that_was_kept_and_page_and_command_say_the_same_sentence(app, shop_folder):
    app.switch_page("views/air.py").run()
    assert "has no plan yet" in told(app)
    said = run("--shop", str(shop_folder), "--place", "shed").stdout
    headline = " ".join(said.split()[:8])
    assert headline.startswith("Leave the doors of shed")
    app.run()
    assert headline in told(app)
    assert "What could be done" in [each.value for each in app.header]
    assert "Both are served" not in told(app)
    with shops.open(shop_folder) as opened:
        kept = kept_air.made(opened, "shed").plan
    assert all(f"{value:.0f} %" in told(app) for value, _, _ in humidity.limits_of(kept))


def test_what_is_said_of_the_room_is_kept_and_can_be_taken_back(app, shop_folder, monkeypatch):
    worked = []
    monkeypatch.setattr(humidity_plan, "work_out", worked.append)
    app.switch_page("views/air.py").run()
    app.text_input(key="plan_volume").set_value("10000 cu ft")
    app.text_input(key="plan_changes").set_value("0.5")
    app.text_input(key="plan_price").set_value("0.25")
    press(app, "Save and calculate")
    with shops.open(shop_folder) as opened:
        assert kept_air.wish(opened, "shed").price_kwh == 0.25
        (room,) = (each for each in opened.register.places() if each.name == "shed")
    assert room.volume_m3 == pytest.approx(283.17, abs=0.01)
    assert room.air_changes_per_h == 0.5
    assert worked == ["shed"]
    press(app, "Undo")
    with shops.open(shop_folder) as opened:
        assert kept_air.wish(opened, "shed") == kept_air.Wish()
    app.text_input(key="plan_volume").set_value("large")
    press(app, "Save and calculate")
    assert any("looks like '300 m3' or '10000 cu ft'" in each.value for each in app.error)


def test_a_what_if_stands_beside_doing_nothing(app):
    app.switch_page("views/air.py").run()
    app.text_input(key="plan_hold").set_value("70")
    app.text_input(key="plan_hold_temp").set_value("60F")
    press(app, "Try")
    assert "What if: shed is held at 70 % RH and 60 °F from now on." in told(app)
    assert "residual-current device" in told(app)


def test_air_is_typed_by_hand_in_the_readers_units_and_taken_back(app, shop_folder):
    app.switch_page("views/air.py").run()
    app.text_input(key="air-hand-temp-0").set_value("61")
    app.text_input(key="air-hand-rh-0").set_value("71.5")
    press(app, "Save")

    def by_hand():
        with shops.open(shop_folder) as opened:
            found = opened.store.readings(Owner.AIR, "shed")
            return {each.series.quantity.value: each.value for each in found if each.source == "hand"}

    assert by_hand() == {"temp": pytest.approx((61 - 32) / 1.8), "humidity": 71.5}
    press(app, "Undo")
    assert by_hand() == {}
    app.text_input(key="air-hand-temp-1").set_value("61")
    app.text_input(key="air-hand-rh-1").set_value("171")
    press(app, "Save")
    assert by_hand() == {}
    assert any("this can't be" in each.value.lower() for each in app.error)
    app.text_input(key="air-hand-rh-1").set_value("104")
    press(app, "Save")
    assert by_hand() == {}
    assert any("104 %RH: no air holds more than 100 %" in each.value for each in app.warning)
    press(app, "Save anyway")
    assert by_hand()["humidity"] == 104


def test_volumes_are_read_either_way():
    assert air_room.volume_m3("300 m3", "inch") == 300.0
    assert air_room.volume_m3("1,000 cu ft", "metric") == pytest.approx(28.3168, abs=1e-4)
    assert air_room.volume_m3("100", "metric") == 100.0
    assert air_room.volume_m3("", "inch") is None
    with pytest.raises(OutOfRange):
        air_room.volume_m3("3 litres", "inch")


def test_every_limit_of_the_chart_is_a_field_of_the_week():
    from baulk.models.plan.humidity.air_plan import Week  # noqa: PLC0415

    assert set(humidity.LIMITS) <= {each.name for each in fields(Week)}


@pytest.mark.parametrize(("weeks", "said"), [(-0.4, "0"), (0.4, "0"), (2.6, "+3"), (-2.6, "-3")])
def test_weeks_gained_that_round_to_none_have_no_sign(weeks, said):
    assert plan_rows.signed(weeks) == said


@pytest.mark.parametrize(
    ("now", "low", "high", "said"),
    [
        (60.0, 68.2, 75.0, "The air now, 60 %, is drier than this week's window of 68 to 75 %."),
        # shown as 68 both: not drier than 68
        (67.8, 68.2, 75.0, "The air now, 68 %, is at the dry end of this week's window of 68 to 75 %."),
        (75.3, 68.2, 75.0, "The air now, 75 %, is at the damp end of this week's window of 68 to 75 %."),
        (70.0, 68.2, 75.0, "The air now, 70 %, is inside this week's window of 68 to 75 %."),
        (80.0, 68.2, 75.0, "The air now, 80 %, is damper than this week's window of 68 to 75 %."),
        (None, 68.2, 75.0, "This is this week's window of 68 to 75 %."),
        (70.0, 75.0, 68.2, "No humidity suits everything here this week: not below 75 %, not above 68 %."),
    ],
)
def test_the_air_now_is_told_by_the_numbers_that_are_shown(now, low, high, said):
    plan = SimpleNamespace(weeks=[SimpleNamespace(low_pct=low, high_pct=high)])
    air = None if now is None else SimpleNamespace(rh_pct=now)
    assert humidity_plan.this_week(plan, air) == said
