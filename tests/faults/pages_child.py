"""Opens every page of a shop again and again, as browsers do, until told to stop; says what broke.

Called with the pages' program; the shop stands in BAULK_SHOP. Each round is one line on stdout.
"""

from __future__ import annotations

import sys
from pathlib import Path

from streamlit.testing.v1 import AppTest

APP = Path(sys.argv[1])
NAMES = ("yard", "timber", "readings", "air", "plans", "health", "files")

if __name__ == "__main__":
    while True:
        app = AppTest.from_file(str(APP), default_timeout=120).run()
        for name in NAMES:
            app.switch_page(f"views/{name}.py").run()
            faults = " ".join(each.value for each in app.exception)
            print(f"page {name}: {faults or 'fine'}", flush=True)
