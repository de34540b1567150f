"""The guide says what the program does: its commands are run, its figures found again, its links followed."""

from __future__ import annotations

import csv
import json
import re
import shlex
from datetime import UTC, datetime
from pathlib import Path

import pytest
from typer.testing import CliRunner

from baulk.dashboard import commands
from baulk.dashboard.guide import book, html
from baulk.ingest import config, pipeline, weather_ahead
from baulk.ingest import shop as shops
from baulk.ingest.pairing import asked
from baulk.ingest.wire import cbor
from baulk.ingest.wire.message import RawMessage
from baulk.models import checking, diffusion, quantity, sorption, species, units, use_class
from baulk.models.calibrate.result import FEWEST
from baulk.models.meter import pin_depth, resistance
from baulk.models.verdict import rule

ROOT = Path(__file__).parents[2]
FOLDER = ROOT / "dashboard" / "guide"
NAMES = [each.name for each in book.pages()]
NUMBER = re.compile(r"\d+(?:\.\d+)?(?:e-?\d+)?")


def rows(path):
    with (ROOT / path).open(encoding="utf-8", newline="") as text:
        return list(csv.DictReader(text))


CONSTANTS = {each["constant"]: float(each["value"]) for each in rows("models/data/constants.csv")}
SOURCES = {each["key"]: each for each in rows("tests/reference/guide-figures.csv")}
ACCURACY = {(each["set"], each["part"]): each for each in rows("tests/bench/honesty/accuracy.csv")}
SETTINGS = config.Config.model_validate({"shop_dir": ROOT})


def setting(name):
    part, key = name.split(".")
    return getattr(getattr(SETTINGS, part), key)


def accuracy(name):
    return [ACCURACY[name, part][key] for part in ("mean", "core") for key in ("width_pct", "covered_pct")]


def accuracy_one(given):
    name, part, column = (each.strip() for each in given.split(" | "))
    return [ACCURACY[name, part][column]]


def mass(given):
    width, depth, length, density = (float(each) for each in given.split())
    kg = width * depth * length * density / 1e9
    return [f"{round(kg, -1):.0f}", f"{round(kg / 0.45359237, -1):.0f}"]


def mass_after(given):
    first, moist, now = (float(each) for each in given.split())
    return [f"{now / first * (100 + moist) - 100:.1f}"]


def oak_share(faces):
    return [f"{pin_depth.mean_depth_share(int(faces)):.2f}"]


def pin_mm(side):
    return [f"{pin_depth.mean_depth_share(4) * float(side):.0f}"]


def emc(given):
    temp, rh = (float(each) for each in given.split())
    return [f"{float(sorption.emc_pct(temp, rh)):.1f}"]


def of_wood(field, form="{:.0f}"):
    return lambda name: [form.format(getattr(species.get(name), field))]


def of_use(given):
    name, field = given.split()
    return [f"{getattr(use_class.get(name), field):g}"]


def half_time():
    """Fourier number of half uptake of a slab, by bisection on Crank's own series."""

    def taken(number):
        odd = range(1, 60, 2)
        return 1 - sum(8 / (3.141592653589793 * n) ** 2 * 2.718281828459045 ** (
            -((n * 3.141592653589793) ** 2) * number) for n in odd)  # fmt: skip

    low, high = 0.01, 0.2
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if taken(middle) < 0.5 else (low, middle)
    return [f"{low:.4f}"]


def ohms(given):
    """The least and the most resistance of the woods at a moisture, by bisection on the program's curves."""
    mc, temp = (float(each) for each in given.split())
    found = []
    for name in species.BUILT_IN.names():
        low, high = 3.0, 10.0  # of log10 of ohms
        for _ in range(40):
            middle = (low + high) / 2
            wetter = resistance.mc_from_resistance(10**middle, species.get(name), temp).mc_pct > mc
            low, high = (middle, high) if wetter else (low, middle)
        found.append(10**low / 1e6)
    return [f"{min(found):.1f}", f"{max(found):.1f}"]


def part_of(given):
    share, whole = (float(each) for each in given.split())
    return [f"{share * whole:.0f}" if share * whole > 10 else f"{share * whole:g}"]


def of_constant(given):
    name, whole = given.split()
    return [f"{CONSTANTS[name] * float(whole):g}"]


# sets of the study that differ by what is known of the air alone
SAME_BUT_AIR = (
    ("hand, scale", "hand, scale, air typed right", "hand, scale, air 3", "hand, scale, air 1"),
    ("hand, air 3", "hand, air 1"),
    ("daily, air 3", "daily, air 1"),
    ("daily, scale, air 3", "daily, scale, air 1"),
)


def width(name, part="mean"):
    return float(ACCURACY[name, part]["width_pct"])


def by_air_alone(_given):
    most = 0.0
    for names in SAME_BUT_AIR:
        for part in ("mean", "core"):
            widths = [width(name, part) for name in names]
            most = max(most, max(widths) / min(widths) - 1)
    return [f"{100 * most:.0f}"]


def held(_given):
    """The least and the most that intervals held, over all sets with a reading of the timber itself."""
    some = [int(each["covered_pct"]) for (name, _), each in ACCURACY.items() if _is_read(name)]
    return [f"{min(some)}", f"{max(some)}"]


def _is_read(name):
    return "hand" in name or "scale" in name or name.startswith("daily")


def size_of_the_study(_given):
    """Sides that the study draws, in inches and in mm."""
    drawn = (ROOT / "tests/bench/honesty/timbers.py").read_text(encoding="utf-8")
    sides = re.search(r"width, depth = \(float\(rng\.uniform\((\d+), (\d+)\)\)", drawn).groups()
    return [*(f"{float(each) / 25.4:.0f}" for each in sides), *sides]


# what a mark in a page names: the last numbers before it, as they have to stand there
FIGURES = {
    "acc": accuracy,
    "acc1": accuracy_one,
    "accair": by_air_alone,
    "accheld": held,
    "accsize": size_of_the_study,
    "share": of_constant,
    "of": part_of,
    "ohms": ohms,
    "fewest": lambda _: [str(FEWEST)],
    "accn": lambda name: [ACCURACY[name, "mean"]["timbers"]],
    "src": lambda key: [SOURCES[key]["value"]],
    "about": lambda _: [f"{species.get('white oak').fsp_pct:g}"],
    "fsp": of_wood("fsp_pct"),
    "green": of_wood("green_heartwood_mc_pct"),
    "radial": of_wood("shrinkage_radial_pct", "{:.1f}"),
    "tangential": of_wood("shrinkage_tangential_pct", "{:.1f}"),
    "d": lambda name: [f"{diffusion.law_for(species.get(name)).d_ref_m2_s:.2e}"],
    "activation": lambda name: [f"{diffusion.law_for(species.get(name)).activation_j_mol / 1000:g}"],
    "emc": emc,
    "mould": lambda temp: [f"{float(checking.mould_limit_pct(float(temp))):.0f}"],
    "mouldlimit": lambda temp: [f"{float(checking.mould_limit_pct(float(temp))):.1f}"],
    "depth": oak_share,
    "depthmm": pin_mm,
    "half": lambda _: half_time(),
    "mass": mass,
    "mc2": mass_after,
    "mm": lambda text: [f"{units.length_mm(text):g}"],
    "kg": lambda text: [f"{units.mass_kg(text):.8f}"],
    "weeks": lambda name: [f"{CONSTANTS[name] / 7:g}"],
    "pct": lambda name: [f"{100 * CONSTANTS[name]:g}"],
    "toml": lambda name: [f"{setting(name) * (100 if 'prob' in name else 1):g}"],
    "yes": lambda _: [f"{100 * rule.first_yes(setting('verdict.probability')):g}"],
    "raw": lambda name: [f"{setting(name):g}"],
    "use": of_use,
    "use2": lambda name: [*of_use(f"{name} service_low_pct"), *of_use(f"{name} service_high_pct")],
    "possible": lambda name: [f"{quantity.SPECS[quantity.Quantity(name)].possible[1]:g}"],
    "cbor": lambda _: [f"{cbor.MOST_BYTES / 1000:g}"],
    "pairing": lambda _: [f"{asked.LASTS.total_seconds() / 60:g}"],
}  # fmt: skip
WORDS = {"ten": "10", "four": "4", "three": "3", "Three": "3"}


def figures(name):
    """Every marked figure of a page: what stands before the mark, and the mark."""
    text = (FOLDER / f"{name}.md").read_text(encoding="utf-8")
    for each in re.finditer(r"<!--=(\w+) ?(.*?)-->", text):
        before = re.sub(r"<!--.*?-->", "", text[max(0, each.start() - 120) : each.start()]).splitlines()[-1]
        for word, number in WORDS.items():
            before = re.sub(rf"\b{word}\b", number, before)
        yield before, each[1], each[2].strip()


@pytest.mark.parametrize("name", NAMES)
def test_a_marked_figure_is_what_the_program_or_its_source_says(name):
    for before, what, given in figures(name):
        wanted = FIGURES[what](given)
        shown = [float(each) for each in NUMBER.findall(before)]
        shown = shown[-len(wanted) :] if what not in {"mass", "depthmm", "src"} else shown
        same = [float(each) for each in wanted]
        assert all(each in shown for each in same), (name, before, what, given, wanted)
        if what in {"acc", "use2", "ohms", "accsize"}:
            assert shown == same, (name, before)


BUILD = ("instruments", "pins", "how-often", "scale-and-notebook", "safety")
SAID = re.compile(  # beside a figure: that nobody published it, or who did
    r"no source|not looked up|as quoted|\([^)]*(?:EN \d|HSE|OSHA|IARC|FPL-GTR|\b(?:19|20)\d\d\))"
)
NO_FIGURE = re.compile(  # names, counts of this page's own, and what defines itself
    r"\b8 x 8(?: in)?\b(?: of 8 ft)?|\b\d+ % interval|\bEN \d+-\d|^\s*\d\.|^\| \d \||\bset \d\b|IEC \d+"
)
TWIN = re.compile(r"([\d./ ]+) in \((\d+(?:\.\d+)?) mm\)|(\d+) °C \((\d+) °F\)|(\d+) kg \((\d+) lb\)")


def statements(name):
    """Rows, and parts of a text up to a full stop, a colon or a semicolon, without commands and links."""
    text = (FOLDER / f"{name}.md").read_text(encoding="utf-8")
    text = re.sub(r"^```.*?^```", "", text, flags=re.MULTILINE | re.DOTALL)
    text = re.sub(r"!\[[^\]]*\]\([^)]*\)", "", re.sub(r"`[^`]*`", "", text))  # a drawing repeats the text
    text = re.sub(r"<!--.*?-->", lambda mark: mark[0].replace(" ", "~"), text)  # a mark is not divided
    for part in re.split(r"\n\n|\n(?=[*|#]|\d\.)", re.sub(r"\]\([^)]*\)", "]", text)):
        for each in [part] if part.startswith("|") else re.split(r"(?<=[.:])\s+", part):
            yield re.sub(r"<!--.*?-->", lambda mark: mark[0].replace("~", " "), each)


def bare(statement):
    """Its figures: what is neither name nor definition, and of twins in two units the metric one alone."""
    shown = NO_FIGURE.sub("", re.sub(r"<!--.*?-->", "", statement))
    shown = TWIN.sub(lambda each: next(mm for mm in (each[2], each[3], each[5]) if mm), shown)
    return [float(each) for each in NUMBER.findall(shown)]


@pytest.mark.parametrize("name", BUILD)
def test_no_figure_of_what_to_build_or_buy_stands_without_mark_or_source(name):
    for statement in statements(name):
        marked = [
            float(each)
            for what, given in re.findall(r"<!--=(\w+) ?(.*?)-->", statement)
            for each in (
                *FIGURES[what](given.strip()),
                *NUMBER.findall(given),
            )  # and what it is worked out of
        ]
        left = [each for each in bare(statement) if not any(each in {one, round(one)} for one in marked)]
        assert not left or SAID.search(statement), (name, statement, left)


@pytest.mark.parametrize("name", NAMES)
def test_a_figure_in_two_units_is_the_same_in_both(name):
    text = re.sub(r"<!--.*?-->", "", (FOLDER / f"{name}.md").read_text(encoding="utf-8"))
    for inches, mm, celsius, fahrenheit, kg, pounds in TWIN.findall(text):
        if mm:
            whole = inches.strip().rpartition(" ")[2] if "/" not in inches else inches.strip()
            assert units.length_mm(f"{whole} in") == pytest.approx(float(mm), rel=0.03), inches
        elif celsius:
            assert float(celsius) * 9 / 5 + 32 == pytest.approx(float(fahrenheit), abs=1), celsius
        else:
            assert float(kg) / 0.45359237 == pytest.approx(float(pounds), rel=0.03), kg


def test_what_the_study_is_said_to_show_stands_in_its_rows():
    """The sentences behind the table, one by one, out of the recorded rows."""
    by_air = float(by_air_alone("")[0]) / 100
    assert by_air < 0.12  # "a better humidity sensor buys nothing that can be seen here", "about a tenth"
    for name in ("hand, air", "hand, scale, air", "daily, air", "daily, scale, air"):
        assert abs(width(f"{name} 1") / width(f"{name} 3") - 1) < by_air + 0.005
    gains = {
        "alone": width("nothing") - width("scale"),
        "beside pins": width("daily, air 3") - width("daily, scale, air 3"),
        "beside a meter": width("hand, air 3") - width("hand, scale, air 3"),
    }
    assert max(gains, key=gains.get) == "alone"  # "the first weighings narrow most where no pin is read"
    for rest in ("air 3", "air 1", "scale, air 3", "scale, air 1"):
        assert width(f"daily, {rest}") > 0.95 * width(f"hand, {rest}")  # "hardly narrower than monthly ones"
    assert float(ACCURACY["nothing", "mean"]["covered_pct"]) >= 90
    some = [each for each in ACCURACY.values() if float(each["covered_pct"]) < 90]
    assert some  # "some sets held less than the nine in ten that is promised"
    neighbour = width("of a lot: hand, scale, air 3, pins in another") / width("of a lot: hand, scale, air 3")
    assert 0.9 < neighbour < 1.1  # "hardly did for its neighbour"
    misread = "of a lot: hand set for another wood, scale, air 3"
    assert width(misread) < width("of a lot: hand, scale, air 3")  # "told too narrow"
    least = min(float(each["covered_pct"]) for (name, part), each in ACCURACY.items()
                if part == "core" and _is_read(name) and name != misread)  # fmt: skip
    assert float(ACCURACY[misread, "core"]["covered_pct"]) < least  # "least with a meter set for another"


def test_figures_of_the_sources_are_used_and_say_where_they_stand():
    used = {given for name in NAMES for _, what, given in figures(name) if what == "src"}
    assert used == set(SOURCES)
    assert all(each["source"] and each["mark"] for each in SOURCES.values())


# --------------------------------------------------------------------------- links and words


def test_every_page_and_drawing_is_listed_and_every_link_leads_to_one():
    assert {path.stem for path in FOLDER.glob("*.md")} == {"README", *NAMES}
    drawings = set()
    for name in ["README", *NAMES]:
        text = (FOLDER / f"{name}.md").read_text(encoding="utf-8")
        links = re.findall(r"\]\(([^)]+)\)", text)
        drawings |= {each for each in links if each.endswith(".svg")}
        assert [each for each in links if not (FOLDER / each).is_file()] == [], name
    assert drawings == {path.name for path in FOLDER.glob("*.svg")}


@pytest.mark.parametrize("name", NAMES)
def test_a_page_starts_with_its_title_and_keeps_its_links_in_the_browser(name):
    assert re.match(r"# .+\n", book.markdown(name))
    shown = html.body(name)
    assert '.md"' not in shown
    assert "<!--" not in shown
    assert "<script" not in shown
    for page in re.findall(r'href="/guide\?page=([\w-]+)"', shown):
        book.page(page)


def test_nothing_of_the_guide_is_hidden_on_a_narrow_screen():
    style = (ROOT / "dashboard" / "app.css").read_text(encoding="utf-8").partition("@media print")[0]
    hidden = set(re.findall(r"\.([\w-]+)(?: a)? \{ display: none", style))
    assert "b-wide" in hidden
    shown = {word for each in re.findall(r'class="([^"]+)"', html.body(book.ALL)) for word in each.split()}
    assert {"b-guide-table", "b-drawing"} <= shown
    assert shown & hidden == set()


def test_the_glossary_knows_every_quantity_and_names_what_is_in_the_code():
    text = book.markdown("glossary")
    lines = [line.split("|") for line in text.splitlines() if line.startswith("| `")]
    told = {word: line[3].strip() for line in lines for word in re.findall(r"`([\w-]+)`", line[1])}
    assert told == {each.value: spec.unit for each, spec in quantity.SPECS.items()}
    code = "\n".join(
        path.read_text(encoding="utf-8")
        for part in ("models", "ingest/evaluation")
        for path in (ROOT / part).rglob("*.py")
    )
    terms = [line.split("|")[4] for line in text.split("## What is measured")[0].splitlines() if "|" in line]
    names = {name for each in terms for name in re.findall(r"`(\w+)`", each)}
    assert len(names) > 20
    assert {name for name in names if not re.search(rf"\b{name}\b", code)} == set()


def test_what_is_looked_for_is_found_and_what_is_nowhere_is_not():
    found = book.search("insulated pins")
    assert found[0].page.name == "pins"
    assert any("nsulated" in line for line in found[0].lines)
    assert book.search("zeppelin") == ()
    assert book.search("  ") == ()


# --------------------------------------------------------------------------- commands


def blocks(text, kind):
    return re.findall(rf"^```{kind}\n(.*?)^```", text, flags=re.MULTILINE | re.DOTALL)


def steps(block):
    """Commands of a block, each with the output that is shown."""
    found = []
    for line in block.splitlines():
        if line.startswith("$ "):
            found.append((line[2:], []))
        else:
            found[-1][1].append(line)
    return found


def fits(shown, printed):
    """Whether output is as shown; `...` is anything."""
    pattern = ".*".join(re.escape(each.strip()) for each in "\n".join(shown).split("..."))
    return re.fullmatch(pattern, printed.strip(), flags=re.DOTALL) is not None


@pytest.mark.timeout(120)
def test_every_command_runs_and_prints_what_is_shown(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setenv("BAULK_SHOP", str(tmp_path))  # restored afterwards: --shop sets it
    ran = 0
    texts = [(FOLDER / f"{name}.md").read_text(encoding="utf-8") for name in NAMES]
    for text in [*texts, (ROOT / "README.md").read_text(encoding="utf-8")]:
        for block in blocks(text, "console"):
            for command, shown in steps(block):
                if "README" in command:
                    continue
                first, *rest = shlex.split(command.replace("~/shop", str(tmp_path / "shop")))
                assert first == "baulk", command
                words = commands.joined(rest)
                done = CliRunner().invoke(commands.build(commands._wanted(words)), words)
                assert done.exit_code == 0, (command, done.output, done.exception)
                printed = done.stdout.replace(str(tmp_path / "shop"), "~/shop")
                assert not shown or fits(shown, "\n".join(line.rstrip() for line in printed.splitlines())), (
                    command, printed)  # fmt: skip
                ran += 1
    assert ran > 20


def test_messages_that_are_shown_end_in_the_store(tmp_path, oak):
    folder = shops.init(tmp_path / "shop", name="shop", units="metric")
    with shops.open(folder) as shop:
        for tag in ("DOR-01", "FER-01"):
            shop.register.add(oak.__class__(**{n: getattr(oak, n) for n in oak.__slots__} | {"tag": tag}))
        sent = 0
        for name in NAMES:
            text = (FOLDER / f"{name}.md").read_text(encoding="utf-8")
            for line in "\n".join(blocks(text, "sh")).splitlines():
                if line.startswith("mosquitto_pub"):
                    words = shlex.split(line)
                    topic, payload = words[words.index("-t") + 1], words[words.index("-m") + 1]
                    assert json.loads(payload)
                    weather = topic.endswith("/weather/ahead")  # it says itself when it was issued
                    now_utc = datetime(2026, 11, 27, 7, tzinfo=UTC) if weather else datetime.now(UTC)
                    raw = RawMessage(topic=topic, payload=payload.encode(), arrived_utc=now_utc)
                    assert pipeline.handle(raw, shop) == (0 if weather else 2), line
                    assert not weather or weather_ahead.newest(shop, now_utc) is not None
                    sent += 1
        assert sent == 4


@pytest.mark.parametrize("name", NAMES)
def test_a_page_fits_80_columns_in_a_terminal(name, monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    done = CliRunner().invoke(commands.build(("guide",)), ["guide", name])
    assert done.exit_code == 0, done.exception
    assert max(len(line) for line in done.stdout.splitlines()) <= 80


def test_the_command_lists_finds_and_names_what_there_is():
    app = commands.build(("guide",))
    assert "safety" in CliRunner().invoke(app, ["guide"]).stdout
    assert CliRunner().invoke(app, ["guide", "--search", "drip loop"]).stdout.startswith("pins")
    with pytest.raises(book.NoSuchPage, match="it has first-verdict"):
        CliRunner().invoke(app, ["guide", "nowhere"], catch_exceptions=False)


def test_the_page_lists_searches_and_reads(app):
    app.run()
    app.switch_page("views/guide.py").run()
    assert not app.exception
    app.text_input(key="guide-search").set_value("residual-current").run()
    assert any("page=safety" in each.body for each in app.get("html"))
    app.query_params["page"] = "safety"
    app.run()
    assert app.title[0].value == "Safety"
