"""A real Chromium and a page server on a free port; missing programs fail in CI and skip elsewhere."""

import os
import shutil
import socket
import subprocess
import time
import urllib.request
from pathlib import Path

import pytest
from playwright.sync_api import sync_playwright

from baulk.dashboard import serve

OUT = Path(__file__).parents[1] / "out"
ARGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
]


def need(program):
    """Return the path of a program that a test can't do without."""
    found = shutil.which(program) or next(
        (p for p in (f"/usr/sbin/{program}", f"/usr/bin/{program}") if Path(p).exists()), None
    )
    if found is None:
        said = f"{program} is not on this machine; tests/run installs it when root"
        pytest.fail(said) if os.environ.get("CI") == "true" else pytest.skip(said)
    return found


def free_port():
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return s.getsockname()[1]


def end(process):
    """End a process that we started, and wait for it."""
    process.terminate()
    try:
        process.wait(10)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait(10)


class Pages:
    """One running page server."""

    def __init__(self, folder, log, *, port=None, config=None):
        self.port = port or free_port()
        self.base = f"http://127.0.0.1:{self.port}"
        self._log = log.open("wb")
        self._process = subprocess.Popen(
            serve.command(folder, self.port, config), stdout=self._log, stderr=subprocess.STDOUT
        )
        until = time.monotonic() + 60
        while True:
            try:
                urllib.request.urlopen(f"{self.base}/_stcore/health", timeout=2).close()  # noqa: S310
            except OSError:
                if time.monotonic() > until or self._process.poll() is not None:
                    self.close()
                    pytest.fail(f"the page server did not start: {log.read_text()[-500:]}")
                time.sleep(0.1)
            else:
                return

    def close(self):
        end(self._process)
        self._log.close()


@pytest.fixture(scope="session")
def chromium():
    path = need("chromium")
    with sync_playwright() as p:
        browser = p.chromium.launch(executable_path=path, args=ARGS)
        yield browser
        browser.close()


@pytest.fixture
def tab(chromium):
    """Return a function that opens a watched tab: page errors and requests to other hosts are kept."""
    opened = []

    def open_tab(width=1280, height=900):
        page = chromium.new_page(viewport={"width": width, "height": height})
        page.faults, page.strangers = [], []
        page.on("pageerror", lambda err: page.faults.append(str(err)))
        page.on(
            "request",
            lambda r: (
                None
                if r.url.startswith(("data:", "blob:", "http://127.0.0.1:"))
                else page.strangers.append(r.url)
            ),
        )
        opened.append(page)
        return page

    yield open_tab
    for page in opened:
        page.close()


def shoot(page, name):
    """Keep a picture of the whole page; it scrolls inside itself, so the window is made that tall."""
    OUT.mkdir(exist_ok=True)
    size = page.viewport_size
    tall = page.evaluate("document.querySelector('[data-testid=stMain]')?.scrollHeight ?? 0")
    page.set_viewport_size({"width": size["width"], "height": max(size["height"], tall + 60)})
    page.wait_for_timeout(400)
    page.screenshot(path=str(OUT / f"{name}-{size['width']}.png"))
    page.set_viewport_size(size)


def too_wide(page):
    """Return what sticks out of the window at the right and can't be reached without a sideways scroll."""
    return page.evaluate(
        """() => {
          const wide = document.documentElement.clientWidth + 1, found = [];
          if (document.documentElement.scrollWidth > wide) found.push('document');
          for (const e of document.querySelectorAll('[data-testid=stMain] *')) {
            const r = e.getBoundingClientRect();
            if (r.width > 1 && r.height > 1 && r.right > wide) found.push(e.tagName + '.' + e.className);
          }
          return found.slice(0, 5);
        }"""
    )
