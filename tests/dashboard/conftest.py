"""The pages without a browser: the app of one invented shop."""

import importlib.util
import json
import shutil
from datetime import UTC, datetime
from pathlib import Path

import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

from baulk.ingest import shop as shops
from baulk.ingest.planning import humidity

_HERE = Path(__file__).parent
APP = _HERE.parents[1] / "dashboard" / "app.py"


def _load(name):
    spec = importlib.util.spec_from_file_location(f"{name}_of_dashboard_tests", _HERE / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def invented():
    return _load("invented")


@pytest.fixture(scope="session")
def crawl():
    return _load("yard_of_units")


def fit(folder):
    """Keep the ensembles from which plans of the air go on, so that not every plan fits every timber anew."""
    with shops.open(folder) as opened:
        for place in humidity.places(opened):
            humidity.gather(opened, humidity.Asked(place=place), datetime.now(UTC))
    return folder


@pytest.fixture(scope="session")
def filled(invented, tmp_path_factory):
    """Return the folder of an invented shop, filled once for each way of filling it; it is for copying."""
    made = {}

    def once(*, fitted=False, **given):
        key = json.dumps({"fitted": fitted, **given}, sort_keys=True)
        if key not in made:
            folder = tmp_path_factory.mktemp("filled") / "shop"
            made[key] = (
                fit(shutil.copytree(once(**given), folder)) if fitted else invented.shop(folder, **given)
            )
        return made[key]

    return once


@pytest.fixture
def shop_folder(tmp_path, filled, request):
    """Copy the invented shop; for a file that says FITTED with its timbers fitted, as after a night."""
    given = {"fitted": getattr(request.module, "FITTED", False), **getattr(request, "param", {})}
    return shutil.copytree(filled(**given), tmp_path / "shop")


@pytest.fixture
def app(shop_folder, monkeypatch):
    """The app on its first page; `app.switch_page("views/timber.py")` goes to another.

    The numbers of every chart that a page draws meanwhile are rounded by somebody; else the test fails.
    """
    unrounded, draw, found = _load("chart_numbers").unrounded, st.altair_chart, []

    def drawn(chart, *args, **more):
        found.extend(unrounded(chart.to_dict()))
        return draw(chart, *args, **more)

    monkeypatch.setattr(st, "altair_chart", drawn)
    monkeypatch.setenv("BAULK_SHOP", str(shop_folder))
    made = AppTest.from_file(str(APP), default_timeout=60)
    made.unrounded = found
    yield made
    assert found == []
