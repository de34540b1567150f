"""The pages without a browser: the app of one invented shop."""

import importlib.util
import json
import shutil
from pathlib import Path

import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

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


@pytest.fixture(scope="session")
def filled(invented, tmp_path_factory):
    """Return the folder of an invented shop, filled once for each way of filling it; it is for copying."""
    made = {}

    def once(**given):
        key = json.dumps(given, sort_keys=True)
        if key not in made:
            made[key] = invented.shop(tmp_path_factory.mktemp("filled") / "shop", **given)
        return made[key]

    return once


@pytest.fixture
def shop_folder(tmp_path, filled, request):
    return shutil.copytree(filled(**getattr(request, "param", {})), tmp_path / "shop")


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
