"""A socket as systemd opens one for each service, and the units as they stand in deploy/systemd."""

from __future__ import annotations

import socket
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))


@pytest.fixture
def heard(tmp_path):
    """A socket as systemd opens one for each service, at `notify` of the test's folder."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sock:
        sock.bind(str(tmp_path / "notify"))
        sock.settimeout(120)  # a start on a machine with much else to do
        yield sock
