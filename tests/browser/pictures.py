"""README's pictures, made anew from the demo's yard; this is no test.

    python tests/browser/pictures.py

plays `baulk demo` in a temporary folder on a port of its own, looks at two of its pages as a desk with a
light screen shows them, and writes them over dashboard/guide/yard.png and timber.png. The demo's timbers are
as old on any day, but the verdicts' dates go with the calendar: look at both pictures, and see that what
README says of them still holds, before they are kept.
"""

import contextlib
import importlib.util
import io
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from PIL import Image
from playwright.sync_api import expect, sync_playwright

HERE = Path(__file__).parent
GUIDE = HERE.parents[1] / "dashboard" / "guide"
WIDE, TALL = 1280, 900  # pixels
TIMBER = "FER-08"  # it is left, with a day on which to square it
MARGIN = 16  # below the last thing that is shown, in pixels
READY_S, LIVES_S = 420, 600  # the demo ends by itself after that, whatever becomes of us


def _browse():
    spec = importlib.util.spec_from_file_location("conftest_of_pictures", HERE / "conftest.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


browse = _browse()


@contextlib.contextmanager
def demo(folder):
    """Play the demo until its verdicts stand; give the address of its pages."""
    port, said = browse.free_port(), folder / "said.txt"
    words = ["demo", "--embedded-broker", "--port", str(port), "--folder", str(folder / "yard")]
    with said.open("wb") as out:
        playing = subprocess.Popen(
            [sys.executable, "-P", "-m", "baulk.dashboard.commands", *words, "--quit-after", str(LIVES_S)],
            stdout=out,
            stderr=subprocess.STDOUT,
        )
        try:
            until = time.monotonic() + READY_S
            while "all is ready" not in said.read_text(encoding="utf-8", errors="replace"):
                if playing.poll() is not None or time.monotonic() > until:
                    raise SystemExit(f"the demo did not come to its verdicts: {said.read_text()[-500:]}")
                time.sleep(0.5)
            yield f"http://127.0.0.1:{port}"
        finally:
            playing.send_signal(signal.SIGINT)  # as Ctrl-C: it ends all that it started
            try:
                playing.wait(30)
            except subprocess.TimeoutExpired:
                browse.end(playing)


def shoot(page, name, last):
    """Write what the page shows down to the last thing named; a palette keeps the file small.

    Of the ways to choose one, the widest coverage alone keeps the hue of what is as small as a pin.
    """
    browse.settled(page)
    below = page.locator(last).last.evaluate("(e) => e.getBoundingClientRect().bottom")
    page.set_viewport_size({"width": WIDE, "height": int(below) + MARGIN})
    browse.settled(page)
    taken = Image.open(io.BytesIO(page.screenshot(animations="disabled", caret="hide"))).convert("RGB")
    path = GUIDE / f"{name}.png"
    taken.quantize(256, Image.Quantize.MAXCOVERAGE, dither=Image.Dither.NONE).save(path, optimize=True)
    page.set_viewport_size({"width": WIDE, "height": TALL})
    print(f"{path.name}: {taken.width} x {taken.height}, {path.stat().st_size} bytes")


def main():
    """Make both pictures."""
    chromium = shutil.which("chromium") or sys.exit("chromium is not on this machine; tests/run installs it")
    with (
        tempfile.TemporaryDirectory(prefix="baulk-pictures-") as folder,
        demo(Path(folder)) as base,
        sync_playwright() as p,
    ):
        browser = p.chromium.launch(executable_path=chromium, args=browse.ARGS)
        page = browser.new_page(viewport={"width": WIDE, "height": TALL}, color_scheme="light")
        page.goto(base)
        expect(page.get_by_role("heading", name="Yard")).to_be_visible(timeout=60_000)
        shoot(page, "yard", ".b-yard-list")
        page.goto(f"{base}/timber?tag={TIMBER}")
        expect(page.get_by_role("heading", name=TIMBER)).to_be_visible(timeout=60_000)
        shoot(page, "timber", "button:visible:has-text('Record work')")
        browser.close()


if __name__ == "__main__":
    main()
