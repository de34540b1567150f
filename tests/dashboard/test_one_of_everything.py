"""A shop with one of everything: no command says "1 timbers"."""

import json
import re
from datetime import UTC, datetime, timedelta

import pytest
from typer.testing import CliRunner

from baulk.dashboard import commands
from baulk.ingest import pipeline
from baulk.ingest import shop as shops
from baulk.ingest.wire.message import RawMessage

NOW = datetime.now(UTC).replace(microsecond=0)
ONE = re.compile(
    r"(?<![\d.,:/x-])\b1 (?:\w+ )?(?:timbers|readings|messages|labels|rows|lines|places|sensors|"
    r"series report|files|values|days|weeks|months|hours|minutes|parts|pieces|notices|events|topics|pages|"
    r"backups|weights)\b"
)
OAK = (
    "--species", "white oak", "--size", "8 x 8 in", "--finished", "6 x 6 in", "--length", "8 ft",
    "--use", "backbone-above-water",
)  # fmt: skip


def test_the_pattern_finds_what_it_is_for_and_lets_other_numbers_be():
    for wrong in ("1 timbers", "0 of 1 timbers evaluated", "1 sensor readings", "read 1 messages"):
        assert ONE.search(wrong), wrong
    for right in (
        "1 timber",
        "11 timbers",
        "7 3/1 days",
        "0.1 days",
        "1 label for 1 timber",
        "2026-11-1 days",
    ):
        assert not ONE.search(right), right


@pytest.fixture
def one(tmp_path, monkeypatch):
    folder = shops.init(tmp_path / "shop", name="One", units="inch")
    monkeypatch.setenv("BAULK_SHOP", str(folder))
    monkeypatch.setenv("COLUMNS", "200")
    monkeypatch.chdir(tmp_path)
    said = {}

    def run(*words, given=None):
        done = CliRunner().invoke(commands.build(commands._wanted(words)), words, input=given)
        refused = (
            f"\n{done.exception}" if done.exception and not isinstance(done.exception, SystemExit) else ""
        )
        said[" ".join(words)] = done.output + refused
        return done

    assert run("timber", "add", "OAK-1", *OAK).exit_code == 0
    with shops.open(folder) as opened:
        slug = opened.config.slug
        topics = {f"baulk/v1/{slug}/timber/NEW-1": 96.4, f"baulk/v1/{slug}/timber/OAK-1": 96.0}
        for topic, kg in topics.items():
            pack = [{"n": "weight", "u": "kg", "v": kg, "t": (NOW - timedelta(hours=1)).timestamp()}]
            raw = RawMessage(topic=topic, payload=json.dumps(pack).encode(), arrived_utc=NOW)
            pipeline.handle(raw, opened)
    run.said = said
    return run


@pytest.mark.timeout(240)
def test_no_command_says_1_timbers(one, tmp_path):
    (tmp_path / "one.csv").write_text(
        f"series,taken,value,unit\ntimber/OAK-1/weight,{NOW - timedelta(hours=3):%Y-%m-%dT%H:%M:%SZ},97,kg\n"
    )
    for words in (
        ("forecast",),  # no air yet, so none of one
        ("labels", "OAK-1", "--copies", "1", "-o", "labels.pdf"),
        ("doctor",),
        ("timber", "list"),
        ("timber", "history", "OAK-1"),
        ("timber", "sensors"),
        ("reading", "list", "OAK-1"),
        ("reading", "import", "one.csv"),
        ("place", "list"),
        ("sensor", "list"),
        ("sensor", "mappings"),
        ("quarantine", "list"),
        ("quarantine", "groups"),
        ("quarantine", "retry", "--preview"),
        ("quarantine", "retry"),
        ("quarantine", "export", "-o", "q.csv"),
        ("quarantine", "discard", "--cause", "unknown-timber", "--note", "none of ours"),
        ("notices",),
        ("store", "thin", "--older-than", "365d", "--preview"),
        ("export", "readings", "-o", "r.csv"),
        ("export", "timbers", "-o", "t.csv"),
        ("timber", "import", "t.csv"),
        ("backup", "-o", "kept.zip"),
        ("verdict",),
        ("walk",),
    ):
        one(*words)
    found = {words: ONE.search(said)[0] for words, said in one.said.items() if ONE.search(said)}
    assert found == {}
    told = "\n".join(one.said.values())
    assert "1 label for 1 timber" in told
    assert "0 of 1 timber " in told
    assert "1 message" in told
    unknown = [words for words, said in one.said.items() if "No such" in said or "Missing" in said]
    assert unknown == []
