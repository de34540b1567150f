"""Starts the page server: Streamlit, kept from asking anything of the world outside.

Streamlit asks an outside service for this machine's own address when a page is opened under a name that
it does not know; ours never does.
"""

from __future__ import annotations

import gc
import sys
from collections.abc import Sequence

from streamlit import config, net_util
from streamlit.web import cli


def _nothing() -> None:
    return None


def main(words: Sequence[str] | None = None) -> None:
    """Run Streamlit's own command line with what is given; else with the words of this process."""
    if words is not None:
        sys.argv[1:] = words  # the pages read which shop it is there
    gc.disable()  # what is loaded stays; `warm` has it looked for waste again
    net_util.get_external_ip = _nothing
    for name in ("server.enableAgentApi",):  # off already; named so that it stays so
        if name in config._config_options_template:  # noqa: SLF001 - older ones do not know it
            sys.argv[3:3] = [f"--{name}=false"]  # after `run APP`: set any other way, it warns of a change
    sys.exit(cli.main(prog_name="baulk-pages"))


if __name__ == "__main__":
    main()
