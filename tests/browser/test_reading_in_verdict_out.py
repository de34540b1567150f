"""A reading in, a verdict out: real broker, real listener, real forecasts, real page, no reload."""

import base64
import importlib.util
import json
import re
import socket
import subprocess
import sys
import time
from datetime import timedelta
from pathlib import Path

import cbor2
import pytest
from playwright.sync_api import expect

from baulk.ingest import devices
from baulk.ingest import shop as shop_module
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import Reading, Series

pytestmark = [pytest.mark.browser, pytest.mark.broker]

_HERE = Path(__file__).parent


def _load(path):
    spec = importlib.util.spec_from_file_location(path.stem + "_of_the_way_through", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


browse = _load(_HERE / "conftest.py")
invented = _load(_HERE.parent / "dashboard" / "invented.py")
NOW = invented.NOW
TAG = "FER-11"


@pytest.fixture
def broker(tmp_path):
    port = browse.free_port()
    conf = tmp_path / "mosquitto.conf"
    conf.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\nuser root\n")
    log = (tmp_path / "mosquitto.log").open("wb")
    process = subprocess.Popen(
        [browse.need("mosquitto"), "-c", str(conf)], stdout=log, stderr=subprocess.STDOUT
    )
    until = time.monotonic() + 15
    while time.monotonic() < until:
        try:
            socket.create_connection(("127.0.0.1", port), 1).close()
            break
        except OSError:
            time.sleep(0.05)
    yield port
    browse.end(process)
    log.close()


@pytest.fixture
def shop(tmp_path, broker):
    """A shop with one timber that has weights and a year of air, pointed at the test's broker."""
    folder = invented.shop(tmp_path / "shop", full=False)
    settings = folder / "baulk.toml"
    settings.write_text(re.sub(r"(?m)^port = 1883.*$", f"port = {broker}", settings.read_text(), count=1))
    weight = Series(owner=Owner.TIMBER, name=TAG, quantity=Quantity.WEIGHT)
    with shop_module.open(folder) as s:
        assert s.config.broker.port == broker
        s.register.add(invented.piece(TAG, arrived_utc=NOW - timedelta(days=300)))
        s.store.append(invented.air(days=300, step_h=6))
        s.store.append(
            Reading(series=weight, value=96 - 2.0 * i, taken_utc=at, arrived_utc=at)
            for i in range(9)
            for at in [NOW - timedelta(days=300 - 30 * i)]
        )
    return folder


@pytest.fixture
def parts(shop, tmp_path):
    """The listener and the forecasts, each a process of its own."""
    running, logs = [], []
    for words in (["listen"], ["forecast", "--watch"]):
        logs.append((tmp_path / f"{words[0]}.log").open("wb"))
        running.append(
            subprocess.Popen(
                [sys.executable, "-m", "baulk.dashboard.commands", *words, "--shop", str(shop)],
                stdout=logs[-1],
                stderr=subprocess.STDOUT,
            )
        )
    until = time.monotonic() + 60
    while b"taking readings" not in (tmp_path / "listen.log").read_bytes():
        assert running[0].poll() is None, (tmp_path / "listen.log").read_text()
        assert time.monotonic() < until, "the listener did not reach the broker"
        time.sleep(0.1)
    yield running
    for process in running:
        browse.end(process)
    for log in logs:
        log.close()


def figure(page, name):
    return page.locator(".b-figures div", has=page.get_by_text(name, exact=True)).locator("dd")


@pytest.mark.usefixtures("parts")
def test_a_published_reading_shows_on_the_open_page_and_changes_its_forecast(shop, broker, tab, tmp_path):
    sender = browse.need("mosquitto_pub")
    pages = browse.Pages(shop, tmp_path / "pages.log")
    try:
        page = tab(1280, 900)
        page.goto(f"{pages.base}/timber?tag={TAG}&open=why.forecast.readings")
        expect(page.locator(".b-next")).to_be_visible(timeout=180_000)
        mean_before = figure(page, "Average MC now").text_content()
        page.evaluate("window.neverReloaded = true")

        payload = [
            {"bn": f"timber/{TAG}/", "n": "weight", "u": "kg", "v": 68.0},
            {"n": "pin-76/b/moisture", "u": "/", "v": 0.173},
        ]
        with shop_module.open(shop) as s:
            topic = f"baulk/v1/{s.config.slug}/timber/{TAG}"
        sent = time.monotonic()
        subprocess.run(
            [sender, "-h", "127.0.0.1", "-p", str(broker), "-q", "1", "-t", topic, "-m", json.dumps(payload)],
            check=True,
            timeout=20,
        )
        expect(page.get_by_text("17.3 %").first).to_be_visible(timeout=60_000)
        shown = time.monotonic() - sent
        expect(figure(page, "Average MC now")).not_to_have_text(mean_before, timeout=60_000)
        changed = time.monotonic() - sent
        print(f"reading shown after {shown:.1f} s, forecast changed after {changed:.1f} s")
        browse.shoot(page, "way-through")
        assert page.evaluate("window.neverReloaded") is True
        assert page.faults == []
        assert page.strangers == []
    finally:
        pages.close()


class Hand:
    """A person at a phone: counts taps and keys."""

    def __init__(self, page):
        self.page, self.taps, self.keys = page, 0, 0

    def tap(self, what):
        what.scroll_into_view_if_needed()
        what.click()
        self.taps += 1
        browse.settled(self.page)

    def type(self, key, words):
        expect(self.page.locator(f".st-key-{key}")).to_be_visible(timeout=60_000)
        self.page.locator(f".st-key-{key} input").first.fill(words)
        self.page.keyboard.press("Enter")
        self.taps, self.keys = self.taps + 1, self.keys + len(words) + 1
        browse.settled(self.page)

    def choose(self, key, words, most=6):
        """Tap a list, type the beginning of what is meant, and take it."""
        field = self.page.locator(f".st-key-{key} input").first
        field.click()
        field.fill(words[:most])
        self.page.get_by_role("option").filter(has_text=words).first.click()
        self.taps, self.keys = self.taps + 2, self.keys + len(words[:most])
        browse.settled(self.page)


FRAME = base64.b64encode(bytes.fromhex("01 00ad ff")).decode()  # 17.3 % in tenths, high byte first
SENSORS = [
    ("house/scale/1", {"load": {"g": 68_000}}, "load.g", "Weight", "g", {}),
    ("lora/pins-7/up", {"up": {"port": 2, "frame": FRAME}}, "up.frame as base64", "Pin meter", "percent",
     {"byte": "1", "kind": "u16be", "scale": "0.1", "depth": "76 mm", "face": "b"}),
    ("shed/thermometer", "19,5 °C", "the payload", "Air temperature", "degC", {"place": "shed"}),
    ("logger/rh", {"rh": [61.0, 61.5, 62.0]}, "rh, all 3", "Air humidity", "percent", {"place": "shed"}),
    ("wood/line", "5;18,5;ok", "column 1", "Wood temperature", "degC", {}),
]  # fmt: skip


@pytest.mark.bench
@pytest.mark.usefixtures("parts")
def test_five_unlike_sensors_from_first_message_to_a_verdict(shop, broker, tab, tmp_path):  # noqa: PLR0915
    sender, pages = browse.need("mosquitto_pub"), browse.Pages(shop, tmp_path / "pages.log")

    def send(topic, body):
        said = body if isinstance(body, str) else json.dumps(body)
        where = ["-h", "127.0.0.1", "-p", str(broker), "-q", "1", "-t", topic, "-m", said]
        subprocess.run([sender, *where], check=True, timeout=20)

    def stored():
        with shop_module.open(shop) as s:
            return sum(
                len(s.store.readings(owner, name))
                for owner, name in ((Owner.TIMBER, TAG), (Owner.AIR, "shed"))
            )

    try:
        page = tab(390, 844)
        forecast = f"{pages.base}/timber?tag={TAG}&open=why.forecast.readings"
        page.goto(forecast)
        expect(page.locator(".b-next")).to_be_visible(timeout=180_000)
        mean_before = figure(page, "Average MC now").text_content()
        page.goto(f"{pages.base}/timber?tag={TAG}")  # as the code on its tag opens it
        hand, begun = Hand(page), time.monotonic()
        hand.tap(page.locator(".st-key-fold-readings summary"))
        expect(page.get_by_role("link", name="Add a sensor")).to_be_visible(timeout=60_000)
        browse.shoot(page, "five-sensors-begin")
        hand.tap(page.get_by_role("link", name="Add a sensor"))
        expect(page.get_by_text(f"Add a sensor to {TAG}")).to_be_visible(timeout=60_000)
        hand.tap(page.locator(".st-key-pair-begin button"))
        print(f"from the tag to listening: {hand.taps} taps, {time.monotonic() - begun:.1f} s of machine")
        for topic, body, spot, quantity, unit, more in SENSORS:
            taps, keys, start, before = hand.taps, hand.keys, time.monotonic(), stored()
            button = page.get_by_role("button", name=topic)
            while not button.count():
                send(topic, body)
                page.wait_for_timeout(1000)
            hand.tap(button.first)
            expect(page.locator(".st-key-pair-said-spot")).to_be_visible(timeout=60_000)
            choices = page.locator(".st-key-pair-said-spot [role=radiogroup] label")
            if choices.count() > 1:
                hand.tap(choices.filter(has_text=f"{spot}:").first)
            if "byte" in more:
                hand.type("pair-said-byte", more["byte"])
                hand.choose("pair-said-kind", more["kind"])
            hand.choose("pair-said-quantity", quantity)
            hand.choose(f"pair-said-unit-{QUANTITIES[quantity]}", unit)
            if "place" in more:
                hand.choose("pair-said-place", more["place"])
            if "depth" in more:
                hand.type("pair-said-depth", more["depth"])
                hand.choose("pair-said-face", more["face"])
            if "scale" in more:
                hand.tap(page.get_by_role("button", name="Scaled, or a text with a unit"))
                hand.type(f"pair-said-scale-{spot.replace(' ', '-').replace('.', '-')}", more["scale"])
                page.keyboard.press("Escape")
            hand.tap(page.locator(".st-key-pair-save button"))
            expect(page.get_by_text(f"{topic} is mapped.").first).to_be_attached(timeout=60_000)
            assert stored() > before, f"nothing of {topic} came in"
            took = time.monotonic() - start
            print(f"{topic}: {hand.taps - taps} taps, {hand.keys - keys} keys, {took:.1f} s of machine")
        browse.shoot(page, "five-sensors")
        page.goto(forecast)
        expect(figure(page, "Average MC now")).not_to_have_text(mean_before, timeout=120_000)
        print(f"all five and a changed verdict: {hand.taps} taps, {time.monotonic() - begun:.0f} s")
        assert page.faults == []
    finally:
        browse.shoot(page, "five-sensors-end")
        pages.close()


SECRET = "the program's own"


@pytest.fixture
def guarded(tmp_path, monkeypatch):
    """A shop whose broker lets in accounts only: a node that speaks CBOR, and a device that reports."""
    monkeypatch.setenv("BAULK_BROKER_PASSWORD", SECRET)
    folder, port = invented.shop(tmp_path / "guarded", full=False), browse.free_port()
    settings = folder / "baulk.toml"
    text = re.sub(
        r"(?m)^port = 1883.*$", f'port = {port}\nuser = "baulk-{{part}}"', settings.read_text(), count=1
    )
    settings.write_text(text)
    with shop_module.open(folder) as s:
        s.register.add(invented.piece(TAG, arrived_utc=NOW - timedelta(days=30)))
        s.store.append(invented.air(days=30, step_h=6))
        node = devices.enrol(s, "node-9", now_utc=NOW, more_topics=["radio/9/up"]).password
        gauge = devices.enrol(s, "gauge", now_utc=NOW, events=True).password
    conf, files = tmp_path / "mosquitto.conf", folder / "broker"
    conf.write_text(
        f"listener {port} 127.0.0.1\nallow_anonymous false\npassword_file {files / 'passwd'}\n"
        f"acl_file {files / 'acl'}\nuse_username_as_clientid true\npersistence false\nuser root\n"
    )
    log, said = tmp_path / "guarded.log", tmp_path / "listen.log"
    with log.open("wb") as out, said.open("wb") as told:
        broker = subprocess.Popen([browse.need("mosquitto"), "-c", str(conf)], stdout=out, stderr=out)
        listen = [sys.executable, "-m", "baulk.dashboard.commands", "listen", "--shop", str(folder)]
        listener = subprocess.Popen(listen, stdout=told, stderr=told)
        until = time.monotonic() + 60
        while b"taking readings" not in said.read_bytes():
            assert listener.poll() is None, said.read_text()
            assert time.monotonic() < until, "the listener did not reach the broker"
            time.sleep(0.1)

        def send(name, password, topic, payload):
            where = [
                "-h",
                "127.0.0.1",
                "-p",
                str(port),
                "-q",
                "1",
                "-t",
                topic,
                "-u",
                name,
                "-P",
                password,
                "-s",
            ]
            subprocess.run([browse.need("mosquitto_pub"), *where], input=payload, check=True, timeout=20)

        yield folder, lambda *what: send("node-9", node, *what), lambda *what: send("gauge", gauge, *what)
        browse.end(listener)
        browse.end(broker)


def test_a_node_that_speaks_cbor_is_met_and_a_device_reports_a_check(guarded, tab, tmp_path):
    folder, node, gauge = guarded
    pages = browse.Pages(folder, tmp_path / "pages.log")
    frame = cbor2.dumps(
        {1: {"t": 14.5, "rh": 71}, 2: "ok"}
    )  # whole numbers as keys, as small nodes send them
    try:
        page = tab(390, 844)
        page.goto(f"{pages.base}/sensors")
        hand = Hand(page)
        hand.tap(page.locator(".st-key-pairing summary"))
        hand.tap(page.locator(".st-key-pair-begin button"))
        button = page.get_by_role("button", name="radio/9/up")
        while not button.count():
            node("radio/9/up", frame)
            page.wait_for_timeout(700)
        hand.tap(button.first)
        hand.tap(page.locator(".st-key-pair-said-spot [role=radiogroup] label").filter(has_text="14.5").first)
        hand.choose("pair-said-quantity", "Air temperature")
        hand.choose("pair-said-unit-temp", "degC")
        hand.choose("pair-said-place", "shed")
        browse.shoot(page, "cbor")
        hand.tap(page.locator(".st-key-pair-save button"))
        expect(page.get_by_text("radio/9/up is mapped.").first).to_be_attached(timeout=60_000)
        with shop_module.open(folder) as s:
            assert 14.5 in {each.value for each in s.store.readings(Owner.AIR, "shed")}
        told = {"kind": "checked", "at_utc": (NOW - timedelta(days=1)).isoformat(), "by": "Ann"}
        told["detail"] = {"face": "b", "width_mm": 3, "length_mm": 600}
        with shop_module.open(folder) as s:
            topic = f"baulk/v1/{s.config.slug}/timber/{TAG}/event"
        gauge(topic, json.dumps(told).encode())
        page.goto(f"{pages.base}/timber?tag={TAG}&open=history")
        expect(page.get_by_text("face b").first).to_be_visible(timeout=60_000)
        browse.shoot(page, "reported")
        assert page.faults == []
    finally:
        pages.close()


QUANTITIES = {
    "Weight": "weight", "Pin meter": "moisture", "Air temperature": "temp", "Air humidity": "humidity",
    "Wood temperature": "wood-temp",
}  # fmt: skip
