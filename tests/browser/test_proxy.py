"""deploy/proxy/nginx.conf with a real nginx before the real pages: TLS, the door, the socket, large files."""

import http.client
import importlib.util
import os
import socket
import ssl
import subprocess
import time
from contextlib import closing
from pathlib import Path
from urllib.parse import urlencode

import pytest

from baulk.dashboard.server import access, door
from baulk.ingest import config as settings

pytestmark = pytest.mark.browser
_HERE = Path(__file__).parent
ROOT = _HERE.parents[1]
SECRET = "three wet oaks"
SOCKET = {
    "Upgrade": "websocket",
    "Connection": "Upgrade",
    "Sec-WebSocket-Version": "13",
    "Sec-WebSocket-Key": "dGhlIHNhbXBsZSBub25jZQ==",
}  # fmt: skip - the key of RFC 6455, 1.3


def _load(path):
    spec = importlib.util.spec_from_file_location(path.stem + "_of_proxy_tests", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


browse = _load(_HERE / "conftest.py")


@pytest.fixture
def proxied(tmp_path, shop_dir):
    nginx = browse.need("nginx")
    port, plain = browse.free_port(), browse.free_port()
    tls = tmp_path / "authority"
    subprocess.run(
        [ROOT / "deploy/tls/make", tls, "baulk.local"], check=True, capture_output=True, timeout=60
    )
    file = shop_dir / settings.FILE
    file.write_text(file.read_text() + f'\n[dashboard]\nurl = "https://baulk.local:{port}"\n')
    access.set_password(shop_dir, SECRET)
    pages = browse.Pages(shop_dir, tmp_path / "pages.log", config=settings.load(shop_dir))
    text = (ROOT / "deploy/proxy/nginx.conf").read_text()
    for old, new in (
        ("127.0.0.1:8501", f"127.0.0.1:{pages.port}"),
        ("listen 443 ssl", f"listen 127.0.0.1:{port} ssl"),
        ("listen 80", f"listen 127.0.0.1:{plain}"),
        ("/etc/nginx/tls/", f"{tls / 'for-broker'}/"),
    ):
        assert old in text
        text = text.replace(old, new)
    place = tmp_path / "nginx"
    place.mkdir()
    temps = "".join(
        f"{name}_temp_path {place}/{name};\n" for name in ("client_body", "proxy", "fastcgi", "uwsgi", "scgi")
    )
    conf = place / "nginx.conf"
    conf.write_text(
        f"daemon off;\npid {place}/pid;\nerror_log {place}/error.log;\n"
        f"{'user root;' if os.geteuid() == 0 else ''}\n"
        f"events {{}}\nhttp {{\naccess_log off;\n{temps}{text}\n}}\n"
    )
    subprocess.run([nginx, "-t", "-q", "-c", conf], check=True, timeout=30)
    process = subprocess.Popen([nginx, "-c", str(conf)], stderr=subprocess.DEVNULL)
    try:
        until = time.monotonic() + 15
        while True:
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", port)) == 0:
                    break
            assert process.poll() is None, (place / "error.log").read_text()
            assert time.monotonic() < until, "nginx did not answer"
            time.sleep(0.05)
        yield port, plain, tls / "ca.crt"
    finally:
        browse.end(process)
        pages.close()


class _Known(http.client.HTTPSConnection):
    """Asks 127.0.0.1 for the name on the certificate, which no name server here knows."""

    def connect(self):
        plain = socket.create_connection(("127.0.0.1", self.port), 20)
        self.sock = self._context.wrap_socket(plain, server_hostname=self.host)


def test_the_pages_behind_nginx_by_tls_with_door_socket_and_a_whole_photograph(proxied):
    port, plain, authority = proxied
    trust = ssl.create_default_context(cafile=str(authority))

    def ask(method, path, headers=(), body=None):
        with closing(_Known("baulk.local", port, context=trust, timeout=20)) as line:
            line.request(method, path, body, dict(headers))
            with line.getresponse() as answer:
                return answer, (b"" if answer.status == 101 else answer.read())

    answer, words = ask("GET", "/timber?tag=FER-02")
    assert (answer.status, b"Password" in words) == (401, True)
    assert ask("GET", "/_stcore/stream", SOCKET)[0].status == 403

    form = urlencode({"password": SECRET, "goal": "/"})
    told = {"Content-Type": "application/x-www-form-urlencoded", "Origin": f"https://baulk.local:{port}"}
    answer, _ = ask("POST", "/sign-in", told, form)
    assert answer.status == 303
    cookie = answer.getheader("set-cookie")
    assert "Secure" in cookie, "the browser would send the pass without TLS too"
    token = cookie.split(";")[0]
    assert token.startswith(door.COOKIE)

    assert ask("GET", "/", {"Cookie": token})[0].status == 200
    origin = {"Cookie": token, "Origin": f"https://baulk.local:{port}"}
    assert ask("GET", "/_stcore/stream", SOCKET | origin)[0].status == 101
    large = ask("PUT", "/_stcore/upload_file/none/none", origin, bytes(24_000_000))[0].status
    assert large != 413, "nginx must leave it to the program to say what is too large"

    with closing(http.client.HTTPConnection("127.0.0.1", plain, timeout=20)) as line:
        line.request("GET", "/air", headers={"Host": "baulk.local"})
        with line.getresponse() as answer:
            assert (answer.status, answer.getheader("location")) == (301, "https://baulk.local/air")
