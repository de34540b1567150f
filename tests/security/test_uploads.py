"""Files sent to the real page server: without a pass none is read, with one no more than may be."""

from __future__ import annotations

import http.client
import os
import re
import socket
import subprocess
import threading
import time
from contextlib import closing, suppress
from pathlib import Path
from urllib.parse import urlencode

import pytest

from baulk.dashboard.server import access, process

SECRET = "three wet oaks"
MB = 1024 * 1024


class Server:
    def __init__(self, folder, log):
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = probe.getsockname()[1]
        self.log = log.open("wb")
        self.process = subprocess.Popen(
            process.command(folder, self.port), stdout=self.log, stderr=subprocess.STDOUT
        )
        until = time.monotonic() + 60
        while True:
            try:
                assert self.ask("GET", "/_stcore/health")[0] == 200
            except OSError:
                assert time.monotonic() < until, log.read_text()
                assert self.process.poll() is None, log.read_text()
                time.sleep(0.1)
            else:
                break

    def ask(self, method, path, body=None, headers=()):
        with closing(http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)) as line:
            line.request(method, path, body, dict(headers))
            answer = line.getresponse()
            return answer.status, answer.read(), answer.headers

    def put(self, size, headers=()):
        """Send a file of this size; give the status and how much of it was taken."""
        sent, block = 0, os.urandom(MB)
        with closing(http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)) as line:
            line.putrequest("PUT", "/_stcore/upload_file/somebody/file")
            for name, value in {"content-length": size, **dict(headers)}.items():
                line.putheader(name, str(value))
            line.endheaders()
            with suppress(OSError):  # the server closes
                while sent < size:
                    line.send(block)
                    sent += len(block)
            try:
                with closing(line.getresponse()) as answer:
                    return answer.status, sent
            except (OSError, http.client.HTTPException):
                return None, sent

    @property
    def resident(self):
        status = Path(f"/proc/{self.process.pid}/status").read_text()
        return int(re.search(r"VmRSS:\s+(\d+)", status)[1]) * 1024


@pytest.fixture
def server(shop_dir, tmp_path):
    access.set_password(shop_dir, SECRET)
    made = Server(shop_dir, tmp_path / "pages.log")
    yield made
    made.process.terminate()
    made.process.wait(20)
    made.log.close()


def settled(server):
    """Wait until the server has loaded what it loads by itself after its start."""
    maps = Path(f"/proc/{server.process.pid}/maps")
    for _ in range(600):
        if "pyarrow" in maps.read_text():  # among the last that it loads
            break
        time.sleep(0.1)
    before, quiet = 0, 0
    while quiet < 2:  # on a busy machine it may stand still for a moment in between
        quiet = quiet + 1 if server.resident - before <= MB else 0
        before = server.resident
        time.sleep(1.5)


def test_files_without_a_pass_are_refused_unread_and_memory_stays_flat(server):
    settled(server)
    before, found = server.resident, []
    team = [threading.Thread(target=lambda: found.append(server.put(40 * MB))) for _ in range(12)]
    for each in team:
        each.start()
    for each in team:
        each.join()
    assert {status for status, _ in found} <= {401, None}
    assert max(sent for _, sent in found) < 20 * MB
    assert server.resident - before < 20 * MB
    body = urlencode({"password": SECRET, "goal": "/"})
    form = {"content-type": "application/x-www-form-urlencoded"}
    status, _, headers = server.ask("POST", "/sign-in", body, form)
    assert status == 303
    cookie = {"cookie": headers["set-cookie"].partition(";")[0]}
    assert server.ask("GET", "/", headers=cookie)[0] == 200
    status, sent = server.put(150 * MB, cookie)
    assert status in {413, None}
    assert sent < 20 * MB
    assert server.put(MB, cookie)[0] == 403  # past the door, to the page server's own token
    assert server.resident - before < 30 * MB
