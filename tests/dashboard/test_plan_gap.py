"""`baulk plan gap`: room in a joint from the command line."""

from __future__ import annotations

import json

import pytest
from typer.testing import CliRunner

from baulk.dashboard import commands
from baulk.models.errors import OutOfRange

PLANK = ("--species", "white oak", "--size", "150 x 40 mm", "--mc", "12", "--use", "planking")


def run(*words, folder=None):
    env = {} if folder is None else {"BAULK_SHOP": str(folder)}
    return CliRunner().invoke(commands.build(("plan",)), ["plan", "gap", *words], env=env)


def test_a_plank_by_its_wood_size_moisture_and_use(tmp_path):
    flat = json.loads(run(*PLANK, "--rings", "flat", "--json", folder=tmp_path).stdout)
    # Wood Handbook eq. 13-3 by hand: 150 (18 - 12) / (30 x 100 / 10.5 - 30 + 12)
    assert flat["leave_mm"][1] == pytest.approx(150 * 6 / (3000 / 10.5 - 18), rel=1e-6)
    afloat = json.loads(run(*PLANK, "--rings", "flat", "--afloat", "--json", folder=tmp_path).stdout)
    assert afloat["leave_mm"][1] == pytest.approx(flat["leave_mm"][1] * 3, rel=1e-6)  # to 30 %, not to 18
    assert "gap.afloat" in [each["code"] for each in afloat["words_coded"]]
    said = run(*PLANK, "--units", "inch", folder=tmp_path).stdout
    assert "Leave 0.1" in said
    assert "in each seam" in said


def test_a_tagged_timber_has_its_own_moisture_size_and_rings(shop_folder):
    said = run("FER-01", "--joint", "housed", folder=shop_folder).stdout
    assert "Leave nothing beside it in all: at 4" in said  # a green one is too wet to be fitted
    dry = json.loads(run("FER-01", "--mc", "14", "--json", folder=shop_folder).stdout)
    assert dry["width_mm"] == pytest.approx(152.4)
    assert dry["swells"]


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (("--species", "white oak"), "needs a tag, or --species, --size, --mc and --use"),
        (("FER-01", "--species", "white oak"), "leave it out"),
        (("FER-05",), "give it with --mc"),
        (("FER-01", "--units", "ells"), "inch or metric"),
    ],
)
def test_what_is_missing_is_said(shop_folder, words, why):
    done = run(*words, folder=shop_folder)
    assert isinstance(done.exception, OutOfRange)
    assert why in str(done.exception)
