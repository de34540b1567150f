"""`baulk verdict TAG --below 20`: by when a part is so dry, on the spot and in another air."""

import json
from datetime import UTC, datetime, timedelta

import pytest
from typer.testing import CliRunner

from baulk.dashboard import commands
from baulk.dashboard.commands import reaching
from baulk.ingest import config, operations
from baulk.ingest import shop as shops
from baulk.models.errors import OutOfRange
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import Reading, Series
from baulk.models.section import Face, Finished, Section
from baulk.models.timber import Timber

NOW = datetime.now(UTC)
MONTHS = (
    "\n[climate]\ntemp_c = [1,2,6,11,16,20,22,21,17,11,6,2]\nrh_pct = [75,72,70,68,68,70,70,72,74,75,76,76]\n"
)


@pytest.fixture(scope="module")
def shop_dir(tmp_path_factory):
    """One stick of ash that came half a year ago, read by pins every fortnight."""
    folder = shops.init(tmp_path_factory.mktemp("reaching") / "shop", name="Reach", units="inch")
    path = folder / config.FILE
    path.write_text(path.read_text() + MONTHS)
    stick = Timber(
        tag="FER-06",
        species="white ash",
        section=Section(width_mm=75, depth_mm=75, pith_y_mm=-150),
        length_mm=2400,
        finished=Finished(width_mm=50, depth_mm=50),
        use_class="steam-bent-frame",
        place="shed",
        arrived_utc=NOW - timedelta(days=180),
    )
    pins = Series(owner=Owner.TIMBER, name="FER-06", quantity=Quantity.MOISTURE, depth_mm=20, face=Face.B)
    with shops.open(folder) as opened:
        operations.add_timber(opened, stick)
        opened.store.append(
            [
                Reading(series=pins, value=30 - d / 20, taken_utc=at, arrived_utc=at)
                for d in range(10, 180, 14)
                for at in [stick.arrived_utc + timedelta(days=d)]
            ]
        )
    return folder


@pytest.fixture
def here(shop_dir, monkeypatch):
    monkeypatch.setenv("COLUMNS", "200")
    app = commands.build()

    def run(*words):
        return CliRunner().invoke(
            app, ["verdict", *words], env={"BAULK_SHOP": str(shop_dir)}, catch_exceptions=False
        )

    return run


def asked(here, *words):
    (found,) = json.loads(here("FER-06", "--json", *words).stdout)
    return found


def test_the_answer_holds_dates_by_chance_and_the_chance_by_a_date(here):
    by = (NOW + timedelta(days=300)).date().isoformat()
    found = asked(here, "--below", "18", "--where", "core", "--by", by)
    assert found["where"] == "core"
    assert found["below_pct"] == 18
    dates = [each for each in found["dates_utc"] if each]
    assert dates == sorted(dates)
    assert dates
    assert 0 <= found["probability"] <= 1
    assert found["now_pct"] == sorted(found["now_pct"])


def test_drier_air_brings_it_sooner_and_damp_air_never(here):
    usual, warm, damp = (
        asked(here, "--below", "13", "--where", "mean", *more)
        for more in ((), ("--held", "21C,35"), ("--held", "54F,85"))
    )
    assert warm["held"] == [21, 35]
    assert damp["dates_utc"][2] is None
    assert warm["dates_utc"][2] is not None
    assert usual["dates_utc"][2] is None or warm["dates_utc"][2] < usual["dates_utc"][2]


def test_it_is_said_in_a_sentence_at_a_depth_in_the_shops_units(here):
    said = here("FER-06", "--below", "18", "--where", "3/4 in").stdout
    assert said.startswith("FER-06: the wood 3/4 in deep ")
    assert " now (" in said


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (("--where", "core"), "needs --below"),
        (("--held", "18C,65"), "needs --below"),
        (("--below", "20", "--where", "middle"), "mean, shell, core, or a depth"),
        (("--below", "20", "--where", "20in"), "508 mm lies outside the piece"),
        (("--below", "20", "--held", "warm"), "such as 18C,65"),
        (("--below", "20", "--held", "18,65"), "such as 18C,65"),
        (("--below", "20", "--held", "18C,165"), "5 to 99 % RH, not 18 degC and 165 %"),
        (("--below", "20", "--by", "soon"), "a date such as"),
        (("--below", "20", "--by", "2001-01-01"), "lies in the past"),
        (("--below", "20", "--by", "2099-01-01"), "lies beyond the forecast"),
    ],
)
def test_what_cannot_be_asked_is_refused_in_a_sentence(here, words, why):
    with pytest.raises(OutOfRange, match=why):
        here("FER-06", *words)


def test_places_are_read_in_either_unit():
    assert reaching.place(" Core ", "inch") == "core"
    assert reaching.place("2", "inch") == pytest.approx(50.8)
    assert reaching.place("45mm", "inch") == 45
