"""A real Chromium and a page server on a free port; what lacks its program is skipped, in CI fails."""

import contextlib
import importlib.util
import os
import re
import shutil
import signal
import socket
import subprocess
import time
import urllib.request
from datetime import timedelta
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect, sync_playwright

from baulk.dashboard.server import process as server_process
from baulk.ingest import shop as shop_module

OUT = Path(__file__).parents[1] / "out"
expect.set_options(timeout=60_000)  # who succeeds does not wait for it; a busy machine needs it
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
        pytest.skip(f"{program} is not on this machine; tests/run installs it when root")
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


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item):
    """Show beside a failed test what the page server's log says of it."""
    report = yield
    if report.failed:
        for name, each in getattr(item, "funcargs", {}).items():
            if type(each).__name__ == Pages.__name__:  # test modules load this file by another name
                report.sections.append((f"log of {name}", each.log.read_text(errors="replace")[-6000:]))
    return report


class Pages:
    """One running page server."""

    def __init__(self, folder, log, *, port=None, config=None):
        self.port = port or free_port()
        self.base = f"http://127.0.0.1:{self.port}"
        self.log, self._log = log, log.open("wb")
        self._process = subprocess.Popen(
            server_process.command(folder, self.port, config), stdout=self._log, stderr=subprocess.STDOUT
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


HARMLESS = re.compile(r"/_stcore/(health|host-config)$")  # asked below a deep link first, then at the root


def watch(page):
    """Keep what goes wrong in a tab, and whom it asks beside our own server."""
    page.faults, page.strangers = [], []
    page.on("pageerror", lambda err: page.faults.append(str(err)))
    page.on(
        "console",
        lambda said: (
            page.faults.append(f"{said.text} {said.location.get('url', '')}")
            if said.type == "error" and not HARMLESS.search(said.location.get("url", ""))
            else None
        ),
    )
    page.on(
        "request",
        lambda r: (
            None
            if r.url.startswith(("data:", "blob:", "http://127.0.0.1:"))
            else page.strangers.append(r.url)
        ),
    )
    return page


@pytest.fixture(scope="session")
def visitor(chromium):
    """One browser's memory for all tests that do not ask for their own: the pages' files are fetched once."""
    context = chromium.new_context()
    yield context
    context.close()


@pytest.fixture
def tab(chromium, visitor):
    """Return a function that opens a watched tab; `fresh` gives it a memory of its own."""
    opened = []

    def open_tab(width=1280, height=900, *, fresh=False):
        page = watch(chromium.new_page() if fresh else visitor.new_page())
        page.set_viewport_size({"width": width, "height": height})
        opened.append(page)
        return page

    yield open_tab
    for page in opened:
        page.close()


def shoot(page, name):
    """Keep a picture of the whole page; it scrolls inside itself, so the window is made that tall.

    In CI there is nobody to look at it, and tall pages take a fifth of the processor time of test_pages.
    """
    if os.environ.get("CI") == "true":
        return
    OUT.mkdir(exist_ok=True)
    size = page.viewport_size
    tall = page.evaluate("document.querySelector('[data-testid=stMain]')?.scrollHeight ?? 0")
    page.set_viewport_size({"width": size["width"], "height": max(size["height"], tall + 60)})
    page.wait_for_timeout(250)
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
            if (e.closest('[data-testid=stDataFrame]') || e.matches('input[type=range]')) continue;
            if (r.width > 1 && r.height > 1 && r.right > wide) found.push(e.tagName + '.' + e.className);
          }
          return found.slice(0, 5);
        }"""
    )


# What of a page can't be read or pressed: text beyond the window or behind an edge that does not scroll, and
# what another thing lies on even when it is scrolled to the middle.
LOST = """() => {
  const found = new Set(), wide = document.documentElement.clientWidth + 1;
  const scrolls = (e) => { const c = getComputedStyle(e);
    return /auto|scroll/.test(c.overflowX) && e.scrollWidth > e.clientWidth; };
  if (document.documentElement.scrollWidth > wide) found.add('the page scrolls sideways');
  for (const e of document.querySelectorAll('body *')) {
    const text = [...e.childNodes].find((n) => n.nodeType === 3 && n.textContent.trim());
    if (!text || e.closest('svg, script, style, .b-voice, [data-testid=stDataFrame]')) continue;
    const range = document.createRange();
    range.selectNodeContents(text);
    const r = range.getBoundingClientRect(), said = text.textContent.trim().slice(0, 40);
    if (r.width < 2 || r.height < 2 || getComputedStyle(e).visibility === 'hidden') continue;
    let reached = false;
    for (let a = e; a && a !== document.body && !reached; a = a.parentElement) {
      const c = getComputedStyle(a), b = a.getBoundingClientRect();
      reached = scrolls(a) || b.width < 4 || b.height < 4;  // or for screen readers alone
      if (reached || a.dataset.testid === 'stMain') break;
      const out = /hidden|clip/.test(c.overflowX) && (r.right > b.right + 1.5 || r.left < b.left - 1.5);
      if (out) found.add(`cut: ${said}`);
    }
    if (!reached && r.right > wide) found.add(`beyond the window: ${said}`);
  }
  for (const e of document.querySelectorAll(':is(button, a[href], input, select, summary):not([disabled])')) {
    let r = e.getBoundingClientRect();
    if (r.width < 2 || r.height < 2 || getComputedStyle(e).visibility === 'hidden') continue;
    if (e.closest('[inert], .b-voice, [data-testid=stVegaLiteChart]')) continue;
    if (e.matches('[type=range], [type=date]')) continue;  // what a person meets of them is drawn beside them
    e.scrollIntoView({block: 'center', inline: 'nearest'});
    r = e.getBoundingClientRect();
    const hit = document.elementFromPoint(r.left + r.width / 2, r.top + r.height / 2);
    const label = hit && hit.closest('label');
    if (!hit || !(e.contains(hit) || hit.contains(e) || (label && label.contains(e))))
      found.add(`covered: ${(e.innerText || e.getAttribute('aria-label') || e.type).slice(0, 40)}`);
  }
  return [...found].slice(0, 12);
}"""


def lost_at_twice_the_size(page):
    """Return what can't be read or pressed at 200 %, which leaves a page half its width and height."""
    size = page.viewport_size
    page.set_viewport_size({"width": size["width"] // 2, "height": size["height"] // 2})
    page.wait_for_timeout(150)
    found = page.evaluate(LOST)
    page.set_viewport_size(size)
    page.evaluate("document.querySelector('[data-testid=stMain]')?.scrollTo(0, 0)")
    return found


def settled(page):
    """Wait until the page server has nothing more to send."""
    for _ in range(2):  # one run may call for another
        # not the widget that says so: it comes late, and a page half drawn passed for a whole one
        app = page.get_by_test_id("stApp")
        expect(app).to_have_attribute("data-test-script-state", "notRunning", timeout=60_000)
        expect(page.locator("[data-stale=true]")).to_have_count(0, timeout=60_000)
        page.wait_for_timeout(300)


# Findings of axe-core in the page server's own parts, out of our reach: rule, part of the text, why.
NOT_OURS = ()


def unreachable(page):
    """Return what a person with other eyes, ears or hands could not use: serious findings of axe-core."""
    found = Axe().run(page).response["violations"]
    return [
        f"{each['id']} ({each['impact']}): {node['html'][:160]}"
        for each in found
        if each["impact"] in {"serious", "critical"}
        for node in each["nodes"]
        if not any(each["id"] == rule and part in node["html"] for rule, part, _ in NOT_OURS)
    ]


def too_small(page, least=44):
    """Return what a wet glove has to hit and is lower or narrower than `least` pixels."""
    return page.evaluate(
        """(least) => {
          const found = new Set();
          const shown = (e) => { const r = e.getBoundingClientRect();
            return r.width > 1 && r.height > 1 && getComputedStyle(e).visibility !== 'hidden'; };
          const what = '[data-testid=stMain] :is(button, summary, .b-table a, .st-key-menu a, '
            + '[data-testid=stTextInputRootElement], [data-testid=stNumberInputContainer], '
            + '[data-baseweb=select] > div, [data-testid=stRadio] label[data-baseweb=radio], '
            + '[data-testid=stCheckbox] label)';
          for (const e of document.querySelectorAll(what)) {
            // small parts of a field that answers as a whole, and what is no target at all
            const aside = '[data-testid=stTooltipIcon], [data-testid=stElementToolbar], details.vega-embed, '
              + '[data-baseweb=select] button, [data-testid=stSelectbox] button, '
              + '[data-testid=stMultiSelect] button, [data-testid=stDateInput] button';
            if (!shown(e) || e.closest(aside)) continue;
            const r = e.getBoundingClientRect();
            if (r.height < least - 0.5) {
              const kind = (e.getAttribute('data-testid') || e.className || '').toString().slice(0, 40);
              found.add(`${e.tagName} ${kind} `
                + `"${(e.innerText || e.getAttribute('aria-label') || '').slice(0, 24)}" `
                + `${r.width.toFixed(0)} x ${r.height.toFixed(0)}`);
            }
          }
          return [...found].slice(0, 12);
        }""",
        least,
    )


PHONE = {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True}


def ten_timbers(folder):
    """Make a shop of ten timbers in two places, each with a forecast, for the field pages."""
    path = Path(__file__).parents[1] / "dashboard" / "invented.py"
    spec = importlib.util.spec_from_file_location("invented_of_field_tests", path)
    invented = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(invented)
    invented.shop(folder, full=False)
    with shop_module.open(folder) as s:
        for n in range(1, 11):
            timber = invented.piece(f"FER-{n}", place="rack" if n > 5 else "loft")
            s.register.add(timber)
            s.store.append(invented.readings(timber.tag, 48.0, last=invented.NOW - timedelta(days=40)))
            s.store.save_evaluation(timber.tag, invented.NOW, invented.evaluation(timber))
    return folder


@pytest.fixture(scope="session")
def field_shop(tmp_path_factory):
    return ten_timbers(tmp_path_factory.mktemp("field") / "shop")


@pytest.fixture(scope="session")
def field_pages(field_shop):
    running = Pages(field_shop, field_shop.parent / "pages.log")
    yield running
    running.close()


def kill(folder):
    """Kill the browser that was started with this folder, as a phone does that runs out of memory."""
    for each in Path("/proc").glob("[0-9]*/cmdline"):
        with contextlib.suppress(OSError):
            said = each.read_bytes().split(b"\0")
            child = any(word.startswith(b"--type") for word in said)
            if f"--user-data-dir={folder}".encode() in said and not child:
                os.kill(int(each.parent.name), signal.SIGKILL)


@pytest.fixture
def phone(chromium, tmp_path):
    """Return a function that opens the same phone again; it is killed, never closed."""
    memory = tmp_path / "phone"
    path = need("chromium")

    def start():
        kill(memory)
        return chromium.browser_type.launch_persistent_context(
            memory, executable_path=path, args=ARGS, **PHONE
        )

    yield start
    kill(memory)
