"""Each kind of thing is added in the one place that DEVELOPERS.md names: proved in a temporary copy."""

from __future__ import annotations

import csv
import filecmp
import os
import re
import shutil
import subprocess
import sys

import pytest

PARTS = ("models", "ingest", "dashboard")
SHOP = """
import os, sys
from datetime import UTC, datetime
from pathlib import Path
from baulk.ingest import config, hand_readings, operations, shop
folder = Path(sys.argv[1]) / "yard"
NOW = datetime(2027, 3, 1, 12, tzinfo=UTC)
"""


@pytest.fixture
def copy(root, tmp_path):
    """The sources of the three parts, to be changed."""
    for part in PARTS:
        shutil.copytree(
            root / part, tmp_path / "baulk" / part, ignore=shutil.ignore_patterns("__pycache__", ".*")
        )
    return tmp_path / "baulk"


def touched(copy, root):
    """Every file that was changed or added, by its path in the project."""
    found = set()
    for path in copy.rglob("*"):
        name = path.relative_to(copy)
        if path.is_file() and "__pycache__" not in name.parts:
            before = root / name
            if not before.is_file() or not filecmp.cmp(path, before, shallow=False):
                found.add(str(name))
    return found


def run(copy, code, *words):
    """Run a script with the copy in place of the installed program; return what it printed."""
    first = f"import baulk.models\nassert baulk.models.__file__.startswith({str(copy)!r})\n"
    done = subprocess.run(
        [sys.executable, "-P", "-c", first + code, str(copy.parent), *words],
        env={**os.environ, "PYTHONPATH": str(copy.parent), "NO_COLOR": "1"},
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    assert done.returncode == 0, done.stderr[-2000:]
    return done.stdout


def change(copy, path, before, after):
    file = copy / path
    text = file.read_text(encoding="utf-8")
    assert text.count(before) == 1, f"{before!r} stands {text.count(before)} times in {path}"
    file.write_text(text.replace(before, after), encoding="utf-8")


def places(root, thing):
    """The files that DEVELOPERS.md names for a thing, from its table."""
    text = (root / "DEVELOPERS.md").read_text(encoding="utf-8")
    rows = [line.split("|")[1:3] for line in text.splitlines() if line.startswith("| ")]
    said = next(where for what, where in rows if what.strip() == thing)
    return set(re.findall(r"`((?:models|ingest|dashboard)/[\w/.]*)`", said))


def only(copy, root, thing, *new):
    """Assert that nothing but the named files was touched; `new` lie in a folder that is named."""
    named = places(root, thing)
    for each in touched(copy, root):
        assert each in named or (each in new and f"{each.rpartition('/')[0]}/" in named), each


def test_a_species(copy, root):
    table = copy / "models/data/species.csv"
    with table.open(encoding="utf-8", newline="") as text:
        rows = [row for row in csv.DictReader(text) if row["species"] == "white oak"]
    with table.open("a", encoding="utf-8", newline="") as text:
        out = csv.DictWriter(text, list(rows[0]), lineterminator="\n")
        out.writerows(
            {**row, "species": "quay oak"} for row in rows if row["quantity"] not in {"synonym", "latin"}
        )
        out.writerow({**rows[0], "species": "quay oak", "quantity": "latin", "value": "Quercus nova"})
    said = run(
        copy,
        "from baulk.models import diffusion, provenance, species\n"
        "wood = species.get('Quay Oak')\n"
        "print(wood.name, wood.basic_density_kg_m3, diffusion.law_for(wood).d_ref_m2_s > 0)\n"
        "print('quay oak' in species.names(), any(v.name == 'quay oak' for v in provenance.every()))\n",
    )
    assert said == "quay oak 600.0 True\nTrue True\n"
    only(copy, root, "species")


def test_a_use_class(copy, root):
    row = 'quay-fender,"Fenders of a quay",20,35,4,yes,,"Rubbed away.","common practice, no source",memory'
    with (copy / "models/data/use_classes.csv").open("a", encoding="utf-8") as text:
        text.write(f"{row}\n")
    said = run(
        copy,
        "from baulk.dashboard import words\nfrom baulk.models import use_class\n"
        "title = words.use('quay-fender', use_class.BUILT_IN)\n"
        "print(use_class.get('Quay fender').tolerance_mm(150, 150), title)\n",
    )
    assert said == "4.0 Fenders of a quay\n"
    only(copy, root, "use class")


def test_a_quantity(copy, root):
    change(copy, "models/quantity.py", '    BATTERY = "battery"', '    CO2 = "co2"\n    BATTERY = "battery"')
    change(
        copy,
        "models/quantity.py",
        "    Quantity.BATTERY: QuantitySpec(",
        "    Quantity.CO2: QuantitySpec(\n"
        '        unit="ppm", title="carbon dioxide", owners=_AIR, possible=(0.0, 50_000.0),\n'
        '        senml={"ppm": (1, 0)}, declared={"ppm": (1, 0), "percent": (1e4, 0)},\n'
        "    ),\n"
        "    Quantity.BATTERY: QuantitySpec(",
    )
    with (copy / "models/data/constants.csv").open("a", encoding="utf-8") as text:
        for end, value in ((0, 0.0), (1, 50_000.0)):
            source = '"common practice, no source",common practice'
            text.write(f"ingest.checks.POSSIBLE[co2][{end}],{value},ppm,limit,{source}\n")
    source = '[[source]]\ntopic="x/air"\nformat="plain"\nquantity="co2"\nunit="percent"\nplace="loft"\n'
    code = SHOP + (
        "from baulk.ingest import operations, pipeline\nfrom baulk.models.text import series\n"
        "from baulk.models.timber import Place\n"
        "from baulk.ingest.wire.message import RawMessage\nfrom baulk.models.quantity import Owner\n"
        "shop.init(folder, name='Ferry yard')\n"
        "with (folder / 'baulk.toml').open('a') as text:\n"
        "    text.write(sys.argv[2])\n"
        "with shop.open(folder) as opened:\n"
        "    for name in ('shed', 'loft'):\n        operations.add_place(opened, Place(name=name))\n"
        '    for topic, body in ((\'baulk/v1/ferry-yard/air/shed\', b\'[{"n":"co2","u":"ppm","v":612}]\'),\n'
        "                        ('x/air', b'0.05'), ('x/air', b'9.0')):\n"
        "        pipeline.handle(RawMessage(topic=topic, payload=body, arrived_utc=NOW), opened)\n"
        "    for place in ('shed', 'loft'):\n"
        "        for each in opened.store.readings(Owner.AIR, place):\n"
        "            print(series.called(str(each.series), 'metric'), each.value, each.unit, *each.flags)\n"
        "    print(opened.store.quarantine_count())\n"
    )
    assert run(copy, code, source) == "carbon dioxide 612.0 ppm\ncarbon dioxide 500.0 ppm\n1\n"
    only(copy, root, "quantity")


def test_a_message_format(copy, root):
    (copy / "ingest/wire/words.py").write_text(
        '"""Messages in words."""\n\n'
        "from baulk.ingest.wire import mapped\nfrom baulk.ingest.wire.message import number_in\n\n\n"
        "def decode(raw, source):\n"
        '    """Read ``about 21``."""\n'
        "    value = number_in(raw.payload.decode().removeprefix('about '), 'the payload')\n"
        "    return mapped.decoded(raw, source, [mapped.Sample(value, None, 'the payload')])\n"
    )
    change(
        copy,
        "ingest/wire/formats.py",
        '    "plain": Format(',
        '    "words": Format(module="words", function="decode"),\n    "plain": Format(',
    )
    source = '[[source]]\ntopic="x"\nformat="words"\nquantity="temp"\nunit="degC"\nplace="shed"\n'
    code = SHOP + (
        "from baulk.ingest import wire\nfrom baulk.ingest.wire.message import RawMessage\n"
        "shop.init(folder, name='Ferry yard')\n"
        "with (folder / 'baulk.toml').open('a') as text:\n"
        "    text.write(sys.argv[2])\n"
        "raw = RawMessage(topic='x', payload=b'about 21', arrived_utc=NOW)\n"
        "found = wire.understand(raw, slug='ferry-yard', sources=config.load(folder).source)\n"
        "print([each.value for each in found.readings])\n"
    )
    assert run(copy, code, source) == "[21.0]\n"
    only(copy, root, "format of messages", "ingest/wire/words.py")


def test_a_store(copy, root):
    (copy / "ingest/store/noting.py").write_text(
        '"""A store that notes how often it was opened."""\n\nfrom baulk.ingest.store import sqlite\n\n\n'
        "def open_kind(config, *, durable=False):\n"
        '    """Open it."""\n'
        "    with (config.shop_dir / 'opened.txt').open('a') as text:\n"
        "        text.write('x')\n"
        "    return sqlite.open_kind(config, durable=durable)\n"
    )
    change(
        copy,
        "ingest/store_kinds.py",
        '    "sqlite": StoreKind(module="sqlite"),',
        '    "sqlite": StoreKind(module="sqlite"),\n'
        '    "noting": StoreKind(module="noting", needs={"bucket": "where it notes"}, own_backup="noter"),',
    )
    code = SHOP + (
        "from baulk.ingest.exchange import backup\nfrom baulk.models.quantity import Owner\n"
        "from baulk.models.reading import Series\n"
        "shop.init(folder, name='Ferry yard')\n"
        "path = folder / 'baulk.toml'\n"
        "path.write_text(path.read_text().replace('kind = \"sqlite\"', 'kind = \"noting\"'))\n"
        "with shop.open(folder) as opened:\n"
        "    hand_readings.add(opened, Series.parse('air/shed/temp'), 18.0, now_utc=NOW)\n"
        "    print([each.value for each in opened.store.readings(Owner.AIR, 'shed')])\n"
        "print((folder / 'opened.txt').read_text())\n"
        "made = backup.make(config.load(folder), folder.parent / 'a.zip', now_utc=NOW)\n"
        "print('noter' in str(made))\n"
    )
    assert run(copy, code) == "[18.0]\nx\nTrue\n"
    only(copy, root, "store", "ingest/store/noting.py")


def test_a_command(copy, root):
    (copy / "dashboard/commands/tide.py").write_text(
        '"""The tide."""\n\nfrom baulk.dashboard.commands.answers import say\n\n\n'
        'def tide(hours: float) -> None:\n    """Tell when it turns."""\n    say(f"in {hours:g} hours")\n'
    )
    change(
        copy,
        "dashboard/commands/__init__.py",
        '    "doctor": Entry(',
        '    "tide": Entry("tide", "tide", "When the tide turns."),\n    "doctor": Entry(',
    )
    code = (
        "import sys\nfrom baulk.dashboard import commands\n"
        "sys.argv = ['baulk', *sys.argv[2:]]\ncommands.main()\n"
    )
    assert run(copy, code, "tide", "2.5") == "in 2.5 hours\n"
    assert "When the tide turns." in run(copy, code, "--help")
    only(copy, root, "command", "dashboard/commands/tide.py")


def test_a_page(copy, root):
    (copy / "dashboard/views/tide.py").write_text(
        '"""The tide."""\n\nimport streamlit as st\n\nfrom baulk.dashboard.sections import layout\n\n'
        'layout.title("Tide", "When the ferry floats.")\nst.write("High at noon")\n'
    )
    change(
        copy,
        "dashboard/app.py",
        '    st.Page(HERE / "views" / "health.py"',
        '    st.Page(HERE / "views" / "tide.py", title="Tide", url_path="tide"),\n'
        '    st.Page(HERE / "views" / "health.py"',
    )
    code = SHOP + (
        "from streamlit.testing.v1 import AppTest\n"
        "shop.init(folder, name='Ferry yard')\n"
        "os.environ['BAULK_SHOP'] = str(folder)\n"
        "import baulk.dashboard\n"
        "app = Path(baulk.dashboard.__file__).with_name('app.py')\n"
        "page = AppTest.from_file(str(app), default_timeout=60).run().switch_page('views/tide.py').run()\n"
        "print(not page.exception, [each.value for each in page.markdown if 'noon' in each.value])\n"
    )
    assert run(copy, code) == "True ['High at noon']\n"
    only(copy, root, "page", "dashboard/views/tide.py")


def test_a_sentence(copy, root):
    change(
        copy,
        "models/text/verdict.py",
        "SENTENCES: Final",
        "def _tide(values, system):\n"
        '    """Return how far the water rises."""\n'
        "    return f\"The water rises {show_length(values['rise_mm'], system)}.\"\n\n\n"
        "SENTENCES: Final",
    )
    change(
        copy,
        "models/text/verdict.py",
        '    "verdict.moves": ',
        '    "verdict.tide": _tide,\n    "verdict.moves": ',
    )
    said = run(
        copy,
        "from baulk.models import text\nfrom baulk.models.reason import Reason\n"
        "rise = Reason(code='verdict.tide', values={'rise_mm': 254.0})\n"
        "print(text.sentence(rise, 'inch'), text.sentence(rise, 'metric'))\n",
    )
    assert said == "The water rises 10 in. The water rises 254 mm.\n"
    only(copy, root, "sentence", "models/text/verdict.py")
