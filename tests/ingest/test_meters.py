"""`[[meter]]` in the settings reaches the fit, and every mistake in it is one sentence."""

from __future__ import annotations

import pytest

from baulk.ingest import config
from baulk.ingest.errors import ConfigError
from baulk.models.errors import BaulkError


def load(tmp_path, text):
    (tmp_path / "baulk.toml").write_text(text)
    return config.load(tmp_path)


def test_a_meter_is_read_as_the_fit_takes_it(tmp_path):
    got = load(
        tmp_path,
        '[[meter]]\nseries = "timber/*/pin-*/moisture"\nset_to = "Douglas-fir"\nshown_pct = [10, 20]\n'
        'true_pct = [11, 23]\n[[meter]]\nkind = "capacitance"\nset_to_kg_m3 = 500',
    )
    pins, flat = (each.setting() for each in got.meter)
    assert pins.set_to.name == "Douglas-fir"
    assert pins.two_point.true_pct == (11, 23)
    assert pins.holds_for("timber/FER-01/pin-25/b/moisture")
    assert not pins.holds_for("timber/FER-01/weight")
    assert (flat.kind, flat.set_to_kg_m3, flat.series) == ("capacitance", 500, "*")


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("shown_pct = [10, 20]", "needs both shown_pct and true_pct"),
        ("shown_pct = [20, 10]\ntrue_pct = [11, 23]", "must rise by at least 3 points"),
        ('kind = "radar"', "pins"),
        ("set_to_kg_m3 = 500", "meters without pins"),
        ('kind = "capacitance"\nset_to = "white oak"', "set to a density"),
        ("set_to_kg_m3 = 5", "80"),
        ('wood = "fir"', "wood is not known; known: kind, series, set_to, set_to_kg_m3, shown_pct"),
    ],
)
def test_a_mistake_in_a_meter_is_named(tmp_path, row, words):
    with pytest.raises(ConfigError, match=words) as caught:
        load(tmp_path, f"[[meter]]\n{row}")
    assert "\n" not in str(caught.value)


def test_a_meter_set_to_a_wood_nobody_knows_is_refused_when_it_is_used(tmp_path):
    got = load(tmp_path, '[[meter]]\nset_to = "unobtainium"')
    with pytest.raises(BaulkError, match="unobtainium"):
        got.meter[0].setting()
