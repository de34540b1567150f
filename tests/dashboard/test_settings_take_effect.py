"""After a change of settings or tables `baulk forecast` works out what it touches, failures included."""

from __future__ import annotations

import importlib.util
import sys
from contextlib import nullcontext
from pathlib import Path
from types import SimpleNamespace

import pytest
from typer.testing import CliRunner

from baulk.dashboard import commands
from baulk.dashboard.commands import forecast as command
from baulk.dashboard.commands import forecast_watch, serve
from baulk.dashboard.commands.children import Children
from baulk.dashboard.server import shop_access
from baulk.ingest import settings_watch
from baulk.ingest import shop as shops
from baulk.ingest.changed_files import Eye
from baulk.ingest.evaluation import batch, executors, gather, standing
from baulk.ingest.evaluation.document_read import document_of, failure_of, parse

INGEST = Path(__file__).parents[1] / "ingest"
TAGS = ("FER-01", "FER-02", "FER-03")


def load(name):
    spec = importlib.util.spec_from_file_location(f"{name}_of_settings_tests", INGEST / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def worked(monkeypatch):
    """Tags that were worked out, in order; the answers are made up."""
    sys.path.insert(0, str(INGEST))
    documents, tags = load("documents"), []

    class Instead(executors.InProcess):
        def submit(self, inputs):
            tags.append(inputs.timber.tag)
            done = executors.Future()
            done.set_result(
                gather.Evaluation(document=parse(documents.stored(inputs.timber.tag, inputs.now_utc)))
            )
            return done

    monkeypatch.setattr(batch, "_team", lambda *_: Instead())
    yield tags
    sys.path.remove(str(INGEST))


@pytest.fixture
def yard(tmp_path):
    six = load("six_timbers")
    folder = shops.init(tmp_path / "yard", name="Ferry yard", units="metric")
    with shops.open(folder) as opened:
        six.fill(opened, TAGS[:2])
        opened.register.add(six.timber(TAGS[2], species="quay oak"))  # a wood of the shop's own table
    return folder


def forecast(folder, code=0):
    done = CliRunner().invoke(commands.build(("forecast",)), ["forecast"], env={"BAULK_SHOP": str(folder)})
    assert done.exit_code == code, (done.output, done.exception)
    return done.stdout


def own_wood(folder):
    (folder / "species.csv").write_text(
        "species,quantity,value,unit,source,mark\n"
        "quay oak,like,white oak,-,our yard,measured\nquay oak,latin,Quercus nova,-,our yard,measured\n"
    )


def settings(folder, before, after):
    path = folder / "baulk.toml"
    text = path.read_text()
    assert text.count(before) == 1
    path.write_text(text.replace(before, after))


def test_a_failure_whose_cause_is_mended_in_a_table_is_tried_again(yard, worked):
    forecast(yard, code=1)
    assert worked == list(TAGS[:2])
    assert "no timber has news" in forecast(yard)
    with shops.open(yard) as opened:
        assert "quay oak" in failure_of(opened.store.evaluation(TAGS[2])[1]).failed
    own_wood(yard)
    worked.clear()
    forecast(yard)
    assert TAGS[2] in worked
    with shops.open(yard) as opened:
        assert document_of(opened.store.evaluation(TAGS[2])[1]).tag == TAGS[2]
    assert "no timber has news" in forecast(yard)


def test_a_changed_setting_has_every_timber_that_it_touches_worked_out_and_no_other(yard, worked):
    own_wood(yard)
    forecast(yard)
    worked.clear()
    settings(yard, "probability = 0.9 ", "probability = 0.8 ")
    assert "3 of 3 timbers evaluated" in forecast(yard)
    assert sorted(worked) == list(TAGS)
    assert "no timber has news" in forecast(yard)
    worked.clear()
    settings(yard, 'name = "Ferry yard"', 'name = "Ferry yard, north"')  # in no answer
    assert "0 of 3 timbers evaluated, 3 unchanged" in forecast(yard)
    assert worked == []


def test_the_ground_is_one_note_and_tells_settings_of_wood_from_others(yard, worked):
    own_wood(yard)
    with shops.open(yard) as opened:
        assert standing.changed(opened)
        standing.looked_over(opened)
        assert not standing.changed(opened)
    path = yard / "baulk.toml"
    path.write_text(path.read_text() + '\n[notices]\nquiet_from = "20:00"\n')
    with shops.open(yard) as opened:
        assert opened.config.notices.quiet_from == "20:00"
        assert not standing.changed(opened)
    (yard / "species.csv").unlink()
    with shops.open(yard) as opened:
        assert standing.changed(opened)


def test_a_round_that_was_stopped_is_gone_on_with(yard, worked, monkeypatch):
    own_wood(yard)
    forecast(yard)
    settings(yard, "probability = 0.9 ", "probability = 0.8 ")
    worked.clear()
    asked = SimpleNamespace(is_set=lambda: len(worked) >= 1)
    monkeypatch.setattr(command, "stop_signals", lambda: nullcontext(asked))
    forecast(yard, code=1)
    assert len(worked) == 1
    monkeypatch.undo()
    with shops.open(yard) as opened:
        assert standing.changed(opened)


def watched(folder, worker, rounds):
    """Let the watch go round, doing one thing before each of the rounds; return what it says."""
    steps = iter(rounds)

    class Stop:
        def wait(self, _seconds):
            step = next(steps, None)
            if step is not None:
                step()
            return step is None

        def is_set(self):
            return False

    with shops.open(folder) as opened:
        forecast_watch.watch(opened, Stop(), worker, workers=1)


def nothing():
    pass


def test_a_running_watch_goes_on_with_changed_settings_and_tables(yard, worked, capsys, in_this_process):
    seen = []
    watched(
        yard,
        in_this_process,
        (
            nothing,
            lambda: (
                worked.clear(),
                own_wood(yard),
                settings(yard, "probability = 0.9 ", "probability = 0.8 "),
            ),
            lambda: seen.append(list(worked)),  # the files must stand still for one round
            lambda: seen.append(sorted(worked)),
            lambda: worked.clear() or (yard / "baulk.toml").touch(),
            nothing,
        ),
    )
    assert seen == [[], list(TAGS)]
    assert worked == []  # saved again, and the same
    assert capsys.readouterr().out.count("the settings or tables have changed; going on") == 1


def test_broken_settings_are_told_once_and_the_old_ones_go_on(yard, worked, capsys, in_this_process):
    own_wood(yard)
    text = (yard / "baulk.toml").read_text()
    watched(
        yard,
        in_this_process,
        (
            nothing,
            lambda: (worked.clear(), (yard / "baulk.toml").write_text(text + "[verdict\n")),
            nothing,
            nothing,
            nothing,
            lambda: (yard / "baulk.toml").write_text(text),
            nothing,
        ),
    )
    said = capsys.readouterr().out
    assert said.count("the settings have changed and can't be taken: ") == 1
    assert "is not TOML" in said
    assert "those of before go on" in said
    assert "going on with the new ones" not in said
    assert worked == []


def test_pages_that_are_open_go_on_with_changed_settings(yard, monkeypatch):
    monkeypatch.setattr(shop_access, "LOOK_S", 0.0)
    monkeypatch.setenv("BAULK_SHOP", str(yard))
    monkeypatch.setattr(sys, "argv", ["pages"])

    def told():
        return shop_access.ask(lambda shop: (shop.config.shop.units, shop.register.get(TAGS[0]).tag))

    assert told() == ("metric", TAGS[0])
    settings(yard, 'units = "metric"', 'units = "inch"')
    told()
    assert told() == ("inch", TAGS[0])
    text = (yard / "baulk.toml").read_text()
    (yard / "baulk.toml").write_text(text + "[verdict\n")
    told()
    assert told() == ("inch", TAGS[0])


def test_serve_has_the_listener_read_changed_settings(yard, tmp_path):
    own_wood(yard)
    with shops.open(yard) as opened:
        eye = Eye(settings_watch.files(opened.config))
    says = "print('up', flush=True); import time; time.sleep(60)"
    with Children(tmp_path / "logs") as children:
        part = children.start("listener", [sys.executable, "-c", says])
        first = part.process.pid
        assert serve.settings_anew(eye, children, yard) == ""
        settings(yard, "port = 1883", "port = 1884")
        assert serve.settings_anew(eye, children, yard) == ""  # an editor may still be saving
        assert "the listener has started anew" in serve.settings_anew(eye, children, yard)
        assert (part.process.pid != first, part.process.poll(), part.restarts) == (True, None, 0)
        second = part.process.pid
        settings(yard, "port = 1884", "port = nowhere")
        said = [serve.settings_anew(eye, children, yard) for _ in range(3)]
        assert [bool(one) for one in said] == [False, True, False]
        assert part.process.pid == second
