"""Plans followed and looked back on, from the command line and on the page of the shop's air."""

from __future__ import annotations

import json
from datetime import timedelta

import pytest
from typer.testing import CliRunner

from baulk.dashboard import commands
from baulk.dashboard.sections import layout
from baulk.ingest import shop as shops
from baulk.ingest.planning import kept_air, kept_promises
from baulk.models.errors import NotFound, OutOfRange

FITTED = True


def run(folder, *words):
    return CliRunner().invoke(commands.build(("plan",)), ["plan", *words, "--shop", str(folder)])


def kept(folder):
    with shops.open(folder) as opened:
        return kept_air.made(opened, "shed"), kept_promises.kept(opened, "shed")


def read_off(shop_folder):
    """Tell what was used, twice for some days, and take it back."""
    read = run(shop_folder, "used", "--water", "34 litres", "--since", "2020-03-01", "--at", "2020-04-01")
    assert "shed: 34 litres from 1 March 2020 to 1 April 2020" in read.stdout
    again = run(shop_folder, "used", "--water", "5", "--since", "2020-03-20", "--at", "2020-04-20")
    assert "told from 2020-03-01 to 2020-04-01 already" in str(again.exception)
    assert "taken back: 34 litres" in run(shop_folder, "used", "--undo").stdout
    assert "needs the day since when" in str(run(shop_folder, "used", "--power", "3 kWh").exception)


def test_a_plan_is_followed_and_looked_back_on_by_command_and_page(app, shop_folder, monkeypatch):
    assert "No plan of shed is kept yet" in run(shop_folder, "back").stdout
    assert isinstance(run(shop_folder, "follow").exception, OutOfRange)
    assert isinstance(run(shop_folder, "back", "--place", "attic").exception, NotFound)
    room = ("--volume", "180 m3", "--air-changes", "0.5", "--save")
    assert run(shop_folder, "air", "--place", "shed", *room).exit_code == 0
    plan, promises = kept(shop_folder)
    assert [each.followed for each in promises] == [None]  # the first of its week

    app.switch_page("views/air.py").run()
    app.text_input(key="air_follow_by").set_value("Ann")
    next(each for each in app.button if each.label == "Follow this plan").click().run()
    assert not app.exception
    assert any("Followed by Ann since" in each.value for each in app.caption)
    (promise,) = kept(shop_folder)[1]
    assert (promise.followed.by, promise.made_utc) == ("Ann", plan.plan.made_utc)
    assert kept(shop_folder)[0] == plan

    said = run(shop_folder, "follow", "nothing", "--by", "Bert", "--note", "the fan is broken")
    assert "is followed: leave the doors as they are." in " ".join(said.stdout.split())
    (promise,) = kept(shop_folder)[1]
    assert (promise.what, promise.followed.by, promise.followed.note) == (
        "nothing",
        "Bert",
        "the fan is broken",
    )
    back = run(shop_folder, "back").stdout
    assert "followed by Bert: leave the doors as they are." in " ".join(back.split())
    assert "Too early to say: 0 weeks have passed" in back
    assert max(map(len, back.splitlines())) <= 80
    found = json.loads(run(shop_folder, "back", "--json").stdout)
    assert found["plans"][0]["promise"]["followed"]["by"] == "Bert"
    assert found["lesson"] is None

    read_off(shop_folder)
    run(shop_folder, "follow", "hold", "--by", "Bert")

    now = layout.now()
    monkeypatch.setattr(layout, "now", lambda: now + timedelta(weeks=6))
    app.query_params["open"] = "earlier-plans"
    app.switch_page("views/air.py").run()
    assert not app.exception
    told = "\n".join(each.value for each in app.markdown)
    assert "followed by Bert" in told
    assert "Too little air was measured since" in told
    assert f"{promise.timbers[0].tag} was promised for" in told or "No date was promised for" in told
    assert "nothing stands against it" in told
    today = layout.now().date()
    app.text_input(key="used-shed-litres-0").set_value("34 l")
    app.date_input(key="used-shed-since-0").set_value(today - timedelta(weeks=4))
    app.date_input(key="used-shed-until-0").set_value(today - timedelta(weeks=1))
    next(each for each in app.button if each.key == "used-shed-save-0").click().run()
    assert not app.exception
    told = "\n".join(each.value for each in app.markdown)
    assert "34 litres in 21 days, promised for them" in told


@pytest.mark.parametrize("shop_folder", [{"full": False}], indirect=True)
def test_an_empty_yard_says_what_to_do(shop_folder):
    for word in ("follow", "back"):
        assert "baulk timber add" in str(run(shop_folder, word).exception)
