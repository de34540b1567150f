"""Settings: what is written is read back, and every mistake is one sentence with its place."""

from __future__ import annotations

import pytest

from baulk.ingest import config
from baulk.ingest import shop as shops
from baulk.ingest.errors import ConfigError


@pytest.mark.parametrize("units", ["inch", "metric"])
def test_a_new_shop_folder_is_read_back_as_it_was_asked_for(tmp_path, units):
    folder = shops.init(tmp_path / "yard", name='Ferry "Ilse" \\ yard', units=units)
    got = config.load(folder)
    assert (got.shop.name, got.shop.units, got.slug) == ('Ferry "Ilse" \\ yard', units, "ferry-ilse-yard")
    assert got.temperature == ("F" if units == "inch" else "C")
    assert got.store_path.is_file()


def test_a_shop_folder_is_never_overwritten(tmp_path):
    folder = shops.init(tmp_path / "yard", name="Ferry yard")
    with pytest.raises(ConfigError, match="is a shop folder already"):
        shops.init(folder, name="Other")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[shop\n", "is not TOML"),
        ('[shop]\nnmae = "x"', r"\[shop\]: nmae is not known; known: name, temperature, topic, units"),
        ("[shops]", "shops is not known; known: announce, broker, climate"),
        ("[broker]\nport = 70000", r"\[broker.port\]: .*65535"),
        ('[broker]\npassword = "secret"', "BAULK_BROKER_PASSWORD"),
        ('shop_dir = "/x"', "shop_dir is not known"),
        ("[climate]\ntemp_c = [1, 2]\nrh_pct = [1, 2]", "at least 12"),
        ("[climate]\ntemp_c = [1,2,3,4,5,6,7,8,9,10,11,12]", "needs both temp_c and rh_pct"),
        (
            '[[source]]\ntopic = "a"\nquantity = "temp"\nunit = "C"\nplace = "x"\nvalue = "t"',
            "known: degC, degF, K",
        ),
        (
            '[[source]]\ntopic = "a/#/b"\nquantity = "temp"\nunit = "K"\nplace = "x"\nvalue = "t"',
            "not a topic filter",
        ),
        (
            '[[source]]\ntopic = "a"\nquantity = "temp"\nunit = "K"\nplace = "x"\nvalue = "t["',
            "not a JMESPath",
        ),
        ('[[source]]\ntopic = "a"\nquantity = "temp"\nunit = "K"\nvalue = "t"', "needs one of tag"),
        (
            '[[source]]\ntopic = "a"\nquantity = "moisture"\nunit = "ratio"\nvalue = "t"\ntag = "A"',
            "needs depth_mm",
        ),
        ('[[source]]\ntopic = "a"\nquantity = "temp"\nunit = "K"\nplace = "x"', "needs value"),
        (
            (
                '[[source]]\ntopic = "a"\nquantity = "temp"\nunit = "K"\nplace = "x"\nvalue = "t"'
                '\ntime_zone = "Mars/Base"'
            ),
            "not a time zone",
        ),
    ],
)
def test_a_mistake_is_named_with_its_place(tmp_path, text, words):
    (tmp_path / "baulk.toml").write_text(text)
    with pytest.raises(ConfigError, match=words) as caught:
        config.load(tmp_path)
    assert "\n" not in str(caught.value)


def test_a_folder_without_settings_says_how_to_make_them(tmp_path):
    with pytest.raises(ConfigError, match="baulk init"):
        config.load(tmp_path)


def test_a_file_that_is_not_text_is_refused(tmp_path):
    (tmp_path / "baulk.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(ConfigError, match="not UTF-8"):
        config.load(tmp_path)


def test_the_password_comes_from_the_environment_and_is_never_shown(tmp_path):
    (tmp_path / "baulk.toml").write_text('[broker]\nuser = "yard"\n')
    got = config.load(tmp_path, {"BAULK_BROKER_PASSWORD": "oak"})
    assert got.broker.password.get_secret_value() == "oak"
    assert "oak" not in repr(got)
    assert "oak" not in got.model_dump_json()
