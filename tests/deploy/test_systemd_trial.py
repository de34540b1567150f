"""The units under a real systemd: installed, read into and out of, killed, hung, stopped, upgraded.

It takes minutes, so it runs with `tests/run --bench`, by itself with that and the name of this file.
It could not have found what a slow disk, little memory, a real network or another processor do; whether
pip finds the packages (they are those of the tests); what limits of memory do where there is no controller.
The watchdogs' patience is shortened to PATIENCE_S, all else of the units stands as it is installed.
"""

from __future__ import annotations

import json
import time

import pytest
from systemd_machine import ENVIRONMENT, SOURCE, CannotStart, Machine, why_not

pytestmark = [pytest.mark.bench, pytest.mark.timeout(1500)]

SERVICES = ("baulk-listener", "baulk-forecasts", "baulk-pages")
FORWARDER = "baulk-forward"
PATIENCE_S = 10
STARTS_S = 180  # TimeoutStartSec of forecasts and pages
RESTART_S = 5  # RestartSec of every unit
INSTALL = (f"{SOURCE}/deploy/systemd/install", "--environment", ENVIRONMENT)
SHOP = "/var/lib/baulk/shop"


@pytest.fixture(scope="module")
def machine(root, tmp_path_factory):
    """A machine on which Baulk was installed as deploy/systemd/README.md tells, with a broker of its own."""
    if reason := why_not():
        pytest.skip(reason)
    one = Machine(root, tmp_path_factory.mktemp("machine"))
    try:
        try:
            one.start()
        except CannotStart as err:
            pytest.skip(str(err))
        one.run(*INSTALL, seconds=300)
        one.run(f"{SOURCE}/deploy/mosquitto/set-up", SHOP, "localhost", seconds=300)
        yield one
    finally:
        one.end()


def until(what, seconds, every=0.3):
    """Wait for something to be so; give how long it took."""
    began = time.monotonic()
    while not what():
        assert time.monotonic() - began < seconds, f"not within {seconds} s: {what.__doc__ or what}"
        time.sleep(every)
    return time.monotonic() - began


def active(machine, unit):
    return machine.shown(unit, "ActiveState") == "active"


def patience(machine, unit, seconds):
    """Give the watchdog another patience, as `systemctl edit` does; with None the unit's own again."""
    folder = machine.root / f"etc/systemd/system/{unit}.service.d"
    folder.mkdir(exist_ok=True)
    (folder / "trial.conf").write_text(f"[Service]\nWatchdogSec={seconds}\n" if seconds else "")
    machine.run("systemctl", "daemon-reload")
    machine.run("systemctl", "restart", unit)
    until(lambda: active(machine, unit), STARTS_S)


def shop(machine, *words, seconds=180):
    """Run `sudo baulk ...`."""
    return machine.run("baulk", *words, seconds=seconds)


def enrolled(machine, name):
    """Give the air of the shed a sensor, known to the broker."""
    made = json.loads(shop(machine, "sensor", "enrol", name, "--place", "shed", "--json"))
    machine.run(f"{SOURCE}/deploy/mosquitto/apply", f"{SHOP}/broker")
    return made


def publish(machine, device, celsius):
    """Send one message as that sensor does, by TLS."""
    air = [{"n": "temp", "u": "Cel", "v": celsius}, {"n": "humidity", "u": "%RH", "v": 71}]
    (topic,) = [each for each in device["publishes"] if each.endswith("/air/shed")]
    machine.run(
        "mosquitto_pub", "-h", "localhost", "-p", "8883", "--cafile", "/root/baulk-authority/ca.crt",
        "-q", "1", "-u", device["name"], "-P", device["password"], "-t", topic, "-m", json.dumps(air),
    )  # fmt: skip


def test_all_three_run_as_their_user_and_say_so(machine):
    for unit in SERVICES:
        until(lambda unit=unit: active(machine, unit), STARTS_S)
        assert machine.shown(unit, "NRestarts") == "0", machine.log(unit)
        first = machine.shown(unit, "MainPID")
        assert machine.run("ps", "-o", "user=", "-p", first).strip() == "baulk"
    assert "enabled" in machine.run("systemctl", "is-enabled", "baulk.target")
    page = "from urllib.request import urlopen as u; print(u('http://127.0.0.1:8501/_stcore/health').status)"
    assert machine.run("/opt/python/bin/python3", "-c", page).strip() == "200"


def test_a_reading_by_mqtt_goes_in_and_a_verdict_comes_out(machine):
    shop(
        machine, "timber", "add", "FER-01", "--species", "white oak", "--size", "8 x 7 3/4 in", "--finished",
        "6 x 6 in", "--length", "8 ft", "--use", "backbone-above-water", "--place", "shed", "--new-place",
    )  # fmt: skip
    publish(machine, enrolled(machine, "SHED"), 12)
    shop(machine, "reading", "add", "FER-01", "weight", "212 lb")

    def judged():
        said = machine.run("baulk", "verdict", "FER-01", "--json", check=False)
        return said and json.loads(said)[0].get("verdict")

    took = until(judged, 400, every=2)
    print(f"first verdict {took:.0f} s after the weight, its compiling included")
    assert judged()["step"] in {"leave", "rough out", "square"}


@pytest.mark.parametrize("unit", SERVICES)
def test_one_that_is_killed_comes_back(machine, unit):
    before = machine.shown(unit, "MainPID")
    machine.run("kill", "-9", before)
    took = until(
        lambda: active(machine, unit) and machine.shown(unit, "MainPID") not in {"0", before}, STARTS_S
    )
    print(f"{unit}: killed, ready again after {took:.1f} s")
    assert took >= RESTART_S - 1
    assert machine.shown(unit, "NRestarts") == "1"


@pytest.mark.parametrize("unit", SERVICES)
def test_one_that_hangs_is_ended_by_the_watchdog_and_started_again(machine, unit):
    patience(machine, unit, PATIENCE_S)
    before = machine.shown(unit, "MainPID")
    time.sleep(2 * PATIENCE_S)
    assert machine.shown(unit, "MainPID") == before, "it tells often enough that it lives"
    machine.run("kill", "-STOP", before)
    took = until(
        lambda: active(machine, unit) and machine.shown(unit, "MainPID") not in {"0", before}, STARTS_S
    )
    print(f"{unit}: stopped, ready again after {took:.1f} s (patience {PATIENCE_S} s)")
    assert "Watchdog timeout (limit 10s)" in machine.log(unit)
    patience(
        machine, unit, None
    )  # it counts while a service stops too, and an evaluation is given 20 s to end


def test_a_stop_is_a_clean_end_within_its_time(machine):
    began = time.monotonic()
    machine.run("systemctl", "stop", "baulk.target", *SERVICES)
    print(f"all three stopped after {time.monotonic() - began:.1f} s")
    for unit in SERVICES:
        assert machine.shown(unit, "Result") == "success", machine.log(unit)
        assert machine.shown(unit, "ActiveState") == "inactive"
        assert "SIGKILL" not in machine.log(unit).rpartition("Stopping")[2]
    machine.run("systemctl", "start", "baulk.target")
    for unit in SERVICES:
        until(lambda unit=unit: active(machine, unit), STARTS_S)


def test_a_backup_is_made_and_the_drill_reads_it(machine):
    machine.run("install", "-d", "-o", "baulk", "-m", "0700", "/mnt/usb", "/mnt/usb/baulk")
    shop(machine, "backup", "-o", "/mnt/usb/baulk/now.zip")
    said = shop(machine, "restore", "/mnt/usb/baulk/now.zip", "--drill", seconds=300)
    assert "FER-01" in said


def test_the_night_makes_its_backup_on_the_other_disk_from_within_its_sandbox(machine):
    settings = machine.root / SHOP.lstrip("/") / "baulk.toml"
    text = settings.read_text()
    assert "[store]\n" in text
    settings.write_text(text.replace("[store]\n", '[store]\nbackup_dir = "/mnt/usb/baulk"\n', 1))
    folder = machine.root / "mnt/usb/baulk"
    machine.run("systemctl", "restart", "baulk-forecasts")
    until(lambda: [each for each in folder.glob("*.zip") if each.name != "now.zip"], 240, every=2)


def test_a_start_of_the_machine_brings_all_of_it_up(machine):
    machine.off()
    machine.boot()
    for unit in SERVICES:
        until(lambda unit=unit: active(machine, unit), STARTS_S)


def test_an_upgrade_keeps_the_shop_and_makes_a_backup_first(machine):
    machine.run(*INSTALL, seconds=300)
    for unit in SERVICES:
        until(lambda unit=unit: active(machine, unit), STARTS_S)
    assert list((machine.root / "var/lib/baulk").glob("before-install-*.zip"))
    assert "FER-01" in shop(machine, "timber", "list")


def test_the_forwarders_unit_hands_on_what_came_also_while_it_was_killed_or_hung(machine):
    """The shop's own broker stands for that of the yard far away, another one for the shop's."""
    settings = machine.root / SHOP.lstrip("/") / "baulk.toml"
    far = '\n[forward]\nhost = "127.0.0.1"\nport = 1884\nname = "shed"\n'
    settings.write_text(settings.read_text() + far)
    (machine.root / "etc/far.conf").write_text("listener 1884 127.0.0.1\nallow_anonymous true\n")
    ear = ("mosquitto_sub", "-p", "1884", "-t", "baulk/#", "-v")
    machine.run("systemd-run", "--unit=far", "mosquitto", "-c", "/etc/far.conf")
    until(lambda: active(machine, "far"), 30)
    machine.run("systemd-run", "--unit=ear", "-p", "Restart=always", "-p", "StandardOutput=file:/heard", *ear)
    device = enrolled(machine, "SHED2")  # the account baulk-forward is written with it
    heard = machine.root / "heard"

    def hears(celsius):
        return lambda: f'"v": {celsius}}}' in heard.read_text()

    machine.run("systemctl", "start", FORWARDER)
    until(lambda: active(machine, FORWARDER), STARTS_S)
    time.sleep(2)
    publish(machine, device, 13)
    until(hears(13), 60)
    machine.run("kill", "-9", machine.shown(FORWARDER, "MainPID"))
    publish(machine, device, 14)
    until(hears(14), 60)
    assert machine.shown(FORWARDER, "NRestarts") == "1"
    patience(machine, FORWARDER, PATIENCE_S)
    machine.run("kill", "-STOP", machine.shown(FORWARDER, "MainPID"))
    publish(machine, device, 15)
    print(f"forwarder stopped; what came meanwhile was handed on after {until(hears(15), STARTS_S):.1f} s")
    assert "Watchdog timeout (limit 10s)" in machine.log(FORWARDER)
    machine.run("systemctl", "stop", FORWARDER)
    assert machine.shown(FORWARDER, "Result") == "success", machine.log(FORWARDER)


def test_what_systemd_and_the_doctor_find_wrong_afterwards_is_nothing_of_ours(machine):
    found = json.loads(shop(machine, "doctor", "--json"))["findings"]
    kinds = {each["kind"] for each in found}
    print(*(each["sentence"] for each in found), sep="\n")
    assert kinds <= {"backup", "wrong clock"}, "the second disk is a folder here, and no time server is there"
