"""`baulk serve` as a whole: a message in, a verdict out, a part that dies is started again, all ends."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time

import pytest

from baulk.dashboard.commands.children import ChildGone, Children
from baulk.ingest import shop as shops
from baulk.ingest.demo import broker
from baulk.ingest.demo.shed import Message, Publisher


def wait(until, seconds, what):
    limit = time.monotonic() + seconds
    while not until():
        assert time.monotonic() < limit, what
        time.sleep(0.2)


@pytest.mark.broker
@pytest.mark.slow
def test_serve_takes_a_message_works_out_a_verdict_and_ends_when_asked(mosquitto, shop_dir, oak):
    settings = shop_dir / "baulk.toml"
    settings.write_text(settings.read_text().replace("port = 1883", f"port = {mosquitto.port}"))
    port = broker.free_port()
    with shops.open(shop_dir) as shop:
        shop.register.add(oak)
        slug = shop.config.slug
    command = [sys.executable, "-P", "-m", "baulk.dashboard.commands", "serve"]
    with (
        subprocess.Popen(
            [*command, "--shop", str(shop_dir), "--port", str(port)], stdout=subprocess.PIPE, text=True
        ) as running,
        Publisher(mosquitto.host, mosquitto.port) as publisher,
    ):
        try:
            wait(lambda: broker.answers(port), 60, "the pages did not come up")
            with shops.open(shop_dir) as shop:
                air = [{"n": "temp", "u": "Cel", "v": 18.5}, {"n": "humidity", "u": "%RH", "v": 61.0}]
                pin = [{"n": "pin-45/b/moisture", "u": "/", "v": 0.263}]

                def stored():
                    publisher.send(
                        [
                            Message(topic=f"baulk/v1/{slug}/air/shed", payload=json.dumps(air).encode()),
                            Message(topic=f"baulk/v1/{slug}/timber/FER-01", payload=json.dumps(pin).encode()),
                        ]
                    )
                    return any("pin-45" in str(each) for each in shop.store.series())

                wait(stored, 30, "the reading was not stored")

                def verdict():
                    # A round that begins between the two messages answers first that the air is not known.
                    kept = shop.store.evaluation("FER-01")
                    return kept and json.loads(kept[1]).get("verdict")

                wait(verdict, 180, "no verdict came")
                assert verdict()["step"] in {"leave", "rough out", "square"}
        finally:
            running.send_signal(signal.SIGTERM)
            out = running.communicate(timeout=30)[0]
    assert running.returncode == 0
    assert "all parts have ended" in out
    assert not broker.answers(port)


def test_a_part_that_dies_is_started_again_and_at_last_given_up(tmp_path):
    with Children(tmp_path / "logs") as children:
        part = children.start("part", [sys.executable, "-c", "print('no such luck')"])
        first = part.process.pid
        part.process.wait(10)
        children.mend()
        assert part.process.pid != first
        part.restarts = 5
        part.process.wait(10)
        with pytest.raises(ChildGone, match="no such luck"):
            children.mend()


def test_leaving_ends_a_part_that_does_not_listen(tmp_path, monkeypatch):
    monkeypatch.setattr("baulk.dashboard.commands.children.GRACE_S", 0.5)
    deaf = (
        "from signal import *; import time; signal(SIGTERM, SIG_IGN); print('up', flush=True); time.sleep(60)"
    )
    with Children(tmp_path / "logs") as children:
        part = children.start("part", [sys.executable, "-c", deaf])
        children.wait_for(part, lambda: part.last_words == "up", seconds=10)
        pid = part.process.pid
    with pytest.raises(ProcessLookupError):
        os.kill(pid, 0)


def test_a_part_that_ends_while_starting_says_its_last_words(tmp_path):
    with Children(tmp_path / "logs") as children:
        part = children.start("part", [sys.executable, "-c", "print('first'); print('the port is gone')"])
        with pytest.raises(ChildGone, match="the port is gone"):
            children.wait_for(part, lambda: False, seconds=10)
