"""A shop as `baulk init` leaves it, by the README: a timber, its weight, no air, no broker."""

import socket
from datetime import UTC, datetime

import pytest
from streamlit.testing.v1 import AppTest
from typer.testing import CliRunner

from baulk.dashboard import commands
from baulk.dashboard.commands import serve_needs
from baulk.dashboard.queries import shop_facts, yard_groups, yard_rows
from baulk.ingest import shop as shops


def run(*words, code=0):
    done = CliRunner().invoke(commands.build(commands._wanted(words)), words)
    assert done.exit_code == code, (words, done.output, done.exception)
    return f"{done.output}{done.exception or ''}"


@pytest.fixture
def fresh(tmp_path, monkeypatch):
    folder = tmp_path / "shop"
    monkeypatch.setenv("BAULK_SHOP", str(folder))  # restored afterwards: --shop sets it
    run("init", str(folder), "--units", "inch")
    given = ("--species", "white oak", "--size", "7 1/2 x 7 1/2 in", "--finished", "6 x 6 in")
    run("timber", "add", "OAK-1", *given, "--length", "8 ft", "--use", "backbone-above-water")
    run("reading", "add", "OAK-1", "weight", "195 lb")
    return folder


@pytest.fixture
def pages(fresh, root):
    return AppTest.from_file(str(root / "dashboard" / "app.py"), default_timeout=60)


def html(app):
    return "\n".join(each.proto.body for each in app.get("html"))


@pytest.mark.slow
@pytest.mark.timeout(180)
def test_without_air_the_timber_leads_to_where_it_is_typed_and_then_has_a_verdict(fresh, pages):
    assert "not known at all" in run("--shop", str(fresh), "forecast", code=1)
    row = yard_rows.rows(datetime.now(UTC))[0]
    assert "not known at all" in yard_groups.about(row)
    assert "[climate]" not in yard_groups.about(row)  # the row says what is wrong, the page what mends it
    pages.run()
    pages.query_params["tag"] = "OAK-1"
    pages.switch_page("views/timber.py").run()
    assert "Shop air" in pages.error[0].value
    assert 'href="/air?place=shed"' in html(pages)
    pages.query_params["place"] = "shed"
    pages.switch_page("views/air.py").run()
    assert [each.value for each in pages.error] == []  # nothing is wrong: it is only not known yet
    assert any("Nobody has measured the air here yet" in each.value for each in pages.info)
    assert next(each for each in pages.expander if each.label == "Type the air by hand").proto.expanded
    pages.text_input(key="air-hand-temp-0").set_value("58")
    pages.text_input(key="air-hand-rh-0").set_value("70")
    pages.button(key="air-hand-save-0").click().run()
    assert not pages.error
    assert not shop_facts.no_air("shed")
    run("--shop", str(fresh), "forecast")
    with shops.open(fresh) as shop:
        assert shop.store.evaluation("OAK-1") is not None
    assert yard_groups.about(yard_rows.rows(datetime.now(UTC))[0]) == "too few readings"


def test_a_climate_in_the_settings_is_air_too(fresh):
    months = ", ".join(["10"] * 12)
    with (fresh / "baulk.toml").open("a") as settings:
        settings.write(f"\n[climate]\ntemp_c = [{months}]\nrh_pct = [{months}]\n")
    assert not shop_facts.no_air("shed")


def test_serve_says_whether_a_broker_answers(fresh):
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        port = listening.getsockname()[1]
        settings = fresh / "baulk.toml"
        settings.write_text(settings.read_text().replace("port = 1883", f"port = {port}"))
        listening.listen()
        assert (
            serve_needs.parts(fresh, None).says[0] == f"taking readings from the broker at 127.0.0.1:{port}"
        )
    said = serve_needs.parts(fresh, None).says[0]
    assert said.startswith(f"no broker answers at 127.0.0.1:{port}")
    assert "readings by hand need none" in said
