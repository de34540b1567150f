"""The certificates that deploy/tls makes: phones take them, and the authority's key signs for no stranger."""

from __future__ import annotations

import os
import shutil
import subprocess
from datetime import UTC, datetime, timedelta

import pytest

from baulk.ingest import certificates
from baulk.ingest.errors import DeviceError


@pytest.fixture
def make(root):
    if shutil.which("openssl") is None:
        pytest.skip("openssl is not on this machine")

    def run(*words, **env):
        return subprocess.run(
            [root / "deploy" / "tls" / "make", *words],
            capture_output=True, text=True, timeout=60, check=False, stdin=subprocess.DEVNULL,
            env={**os.environ, **env}, start_new_session=True,
        )  # fmt: skip

    return run


def shown(path, *what):
    return subprocess.run(
        ["openssl", "x509", "-in", path, "-noout", *what], check=True, capture_output=True, text=True
    ).stdout


def test_certificates_are_such_as_phones_take(make, tmp_path):
    folder = tmp_path / "ca"
    assert make(folder, "broker.local", "192.168.1.10").returncode == 0
    server = folder / "for-broker" / "server.crt"
    text = shown(server, "-text")
    assert "DNS:broker.local, IP Address:192.168.1.10" in text
    assert "TLS Web Server Authentication" in text
    assert "CA:FALSE" in text
    start, end = (
        datetime.strptime(
            shown(server, f"-{which}").strip().partition("=")[2], "%b %d %H:%M:%S %Y %Z"
        ).replace(tzinfo=UTC)
        for which in ("startdate", "enddate")
    )
    assert end - start < timedelta(days=398)
    authority = shown(folder / "ca.crt", "-text")
    assert "CA:TRUE, pathlen:0" in authority
    assert "X509v3 Name Constraints: critical" in authority
    before = server.read_bytes()
    assert make(folder, "--renew").returncode == 0
    assert server.read_bytes() != before
    assert "DNS:broker.local, IP Address:192.168.1.10" in shown(server, "-text")


def test_the_authoritys_key_goes_to_no_broker_and_signs_for_no_stranger(make, tmp_path):
    folder = tmp_path / "ca"
    make(folder, "broker.local")
    assert sorted(each.name for each in (folder / "for-broker").iterdir()) == [
        "ca.crt",
        "server.crt",
        "server.key",
    ]
    assert "does not belong on the broker's machine" in make("/etc/mosquitto/tls", "broker.local").stderr
    before = (folder / "for-broker" / "server.crt").read_bytes()
    refused = make(folder, "bank.example")
    assert refused.returncode == 1
    assert "made for other names" in refused.stderr
    assert (folder / "for-broker" / "server.crt").read_bytes() == before


def test_the_authoritys_key_may_be_locked(make, tmp_path, monkeypatch):
    folder = tmp_path / "ca"
    assert make(folder, "broker.local", **{certificates.PASSPHRASE: "quiet oak"}).returncode == 0
    assert "ENCRYPTED" in (folder / "ca.key").read_text()
    with pytest.raises(DeviceError, match=r"its key is locked: set BAULK_CA_PASSPHRASE"):
        certificates.for_client(folder, "S7")
    monkeypatch.setenv(certificates.PASSPHRASE, "quiet oak")
    made, _ = certificates.for_client(folder, "S7")
    assert "TLS Web Client Authentication" in shown(made, "-text")
