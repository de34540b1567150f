"""What could be done with a timber: the command, what is kept of it, and the fold on its page."""

from __future__ import annotations

import json
import time
from dataclasses import fields

import pytest
from typer.testing import CliRunner

from baulk.dashboard import commands
from baulk.ingest import shop as shops
from baulk.ingest.planning import timber_choices
from baulk.models.errors import BaulkError
from baulk.models.plan.choices import side_by_side
from baulk.models.plan.choices.choice import Choices


def run(*words):
    return CliRunner().invoke(commands.build(("plan",)), ["plan", "choices", *words], env={"COLUMNS": "80"})


@pytest.fixture
def answered(shop_folder):
    return json.loads(run("FER-01", "--shop", str(shop_folder), "--json").stdout)


def test_the_keys_of_json_are_the_fields(answered):
    assert [each for each in answered if not each.endswith("_coded")] == [
        each.name for each in fields(Choices)
    ]
    assert answered["own"][0]["rank"] == 1
    assert {each["what"] for each in answered["own"]} >= {"leave", "square", "coat"}
    assert answered["own"][0]["beside"].endswith(".")
    assert answered["own"][0]["beside_coded"]["code"].startswith("choice.")


def test_the_command_says_the_best_first_within_80_columns(shop_folder):
    said = run("FER-01", "--shop", str(shop_folder)).stdout
    assert said.index("1. ") < said.index("What decides:")
    assert "For its own use" in said
    table = said[said.index("For its own use") : said.index("What decides:")]
    assert max(len(line) for line in table.splitlines()) <= 80
    assert any(line.startswith("1. ") and len(line.split("  ")[0]) > 8 for line in table.splitlines())


def test_the_second_tap_answers_at_once_and_news_are_worked_out_anew(shop_folder, invented, monkeypatch):
    with shops.open(shop_folder) as shop:
        first = timber_choices.choices(shop, "FER-01", invented.NOW)

        def work(*_given):
            raise AssertionError("it was kept")

        monkeypatch.setattr(side_by_side, "choices", work)
        began = time.process_time()
        assert timber_choices.choices(shop, "FER-01", invented.NOW) == first
        assert time.process_time() - began < 0.5
        shop.register.edit("FER-01", use_class="deck", now_utc=invented.NOW)
        with pytest.raises(AssertionError):
            timber_choices.choices(shop, "FER-01", invented.NOW)


def test_what_another_version_kept_is_passed_over(shop_folder, invented):
    with shops.open(shop_folder) as shop:
        found = timber_choices.gather_for(shop, "FER-01", invented.NOW)
        body = {"key": found.key, "made": {"tag": "FER-01"}}
        shop.store.note(f"{timber_choices.KEPT}FER-01", json.dumps(body).encode())
        assert timber_choices.gather_for(shop, "FER-01", invented.NOW).kept is None
        with pytest.raises(BaulkError):
            timber_choices.gather_for(shop, "NO-1", invented.NOW)


def test_the_page_compares_when_it_is_asked_and_keeps_the_answer(app, shop_folder):
    app.run()
    page = app.switch_page("views/timber.py")
    page.query_params["tag"], page.query_params["open"] = "FER-01", "if"
    page.run()
    page.button(key="choices-FER-01").click().run()
    assert not page.exception
    assert any("The same number before two of them" in each.value for each in page.caption)
    page.run()
    assert not [each for each in page.button if each.key == "choices-FER-01"]
    assert any("The same number before two of them" in each.value for each in page.caption)
    with shops.open(shop_folder) as shop:
        assert shop.store.noted(f"{timber_choices.KEPT}FER-01") is not None
