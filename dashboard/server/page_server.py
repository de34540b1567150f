"""Starts the page server: Streamlit, kept from asking anything of the world outside.

Streamlit asks an outside service for this machine's own address when a page is opened under a name that
it does not know; ours never does.
"""

from __future__ import annotations

import importlib
import sys
import threading
from typing import Final

from streamlit import config, net_util
from streamlit.web import cli

from baulk.ingest import memory

SLOW: Final = (
    "altair",
    "baulk.dashboard.queries.yard_rows",
    "baulk.dashboard.sections.notices",
    "baulk.dashboard.sections.forecast_review",
    "baulk.dashboard.sections.what_if",
    "baulk.dashboard.sections.downloads",
    "baulk.dashboard.sections.humidity_plan",
    "baulk.ingest.planning.sawing",
)


def _nothing() -> None:
    return None


def _warm() -> None:
    """Load what the first visitor of each page would wait for."""
    for name in SLOW:
        importlib.import_module(name)
    memory.give_back()


def main() -> None:
    """Run Streamlit's own command line with what was given."""
    threading.Thread(target=_warm, name="warm", daemon=True).start()
    net_util.get_external_ip = _nothing
    for name, value in (("server.enableAgentApi", False),):  # off already; named so that it stays so
        if name in config._config_options_template:  # noqa: SLF001 - older ones do not know it
            config.set_option(name, value)
    sys.exit(cli.main(prog_name="baulk-pages"))


if __name__ == "__main__":
    main()
