"""Everything of a shop in one: `baulk serve`.

It stays for as long as the shop is open, so it loads neither settings nor store: a process of its own reads
them (`serve_needs`) and ends again. That leaves 35 MB of a small machine to those that work.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from baulk.dashboard.commands.answers import HERE, ShopOption, say
from baulk.dashboard.commands.children import Children, ourselves, stop_signals
from baulk.dashboard.commands.ports import PortOption, answers, refuse_taken
from baulk.ingest.changed_files import Eye
from baulk.models.errors import BaulkError

READY_WITHIN_S = 60.0
_NEEDS: Final = "baulk.dashboard.commands.serve_needs"


class Refused(BaulkError):
    """The shop can't be opened; the sentence is that of the process that tried."""


class Away(Refused):
    """Its store can't be had now; tried again it may be."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Needs:
    """What has to be known of a shop to start its parts, as JSON knows it.

    Parameters
    ----------
    folder : str
        The shop folder.
    port : int
        TCP port of the pages.
    host : str
        The address at which they are served.
    pages : list of str
        Program and arguments of the page server.
    says : list of str
        What to tell once all parts are there.
    files : list of str
        What the shop was opened by.
    """

    folder: str
    port: int
    host: str
    pages: list[str]
    says: list[str]
    files: list[str]


def serve(*, port: PortOption = None, shop: ShopOption = HERE) -> None:
    """Run listener, forecasts and pages of a shop until Ctrl-C; a part that ends by itself is started again.

    What the parts say is kept in the shop folder under logs. Changed settings and tables are taken in while
    it runs; only where the pages are served ([dashboard]) needs a new start.

    Example: baulk serve --shop ferry
    """
    needs = Needs(**asked("parts", shop, "" if port is None else str(port)))
    folder = Path(needs.folder)
    refuse_taken(needs.port)
    with stop_signals() as stop, Children(folder / "logs") as children:
        start_parts(children, folder, needs.pages)
        children.wait_for(
            children.running[-1], lambda: answers(needs.port, needs.host), seconds=READY_WITHIN_S
        )
        for sentence in needs.says:
            say(sentence)
        eye = Eye([Path(each) for each in needs.files])
        while not stop.wait(1.0):
            children.mend()
            if said := settings_anew(eye, children, folder):
                say(said)
    say("all parts have ended")


def asked(what: str, shop: Path, *more: str) -> Any:  # noqa: ANN401 - as JSON has it
    """Ask a process of its own about a shop.

    Parameters
    ----------
    what : {"parts", "files"}
        The fields of `Needs`, or the files alone.
    shop : Path
        The shop folder.
    *more : str
        The port, or nothing for that of the settings.

    Returns
    -------
    object
        The answer.

    Raises
    ------
    Refused
        If the shop can't be opened, or may not be served as its settings say.
    Away
        If its store can't be had now.
    """
    argv = [sys.executable, "-P", "-m", _NEEDS, what, str(shop), *more]
    done = subprocess.run(argv, stdout=subprocess.PIPE, check=True)  # noqa: S603 - our own words, no shell
    answer = json.loads(done.stdout)
    if "refused" in answer:
        raise (Away if answer["away"] else Refused)(answer["refused"])
    return answer["found"]


def settings_anew(eye: Eye, children: Children, folder: Path) -> str:
    """Have the listener read changed settings; forecasts and pages see to themselves. Return what to tell."""
    if not eye.changed():
        return ""
    try:
        eye.take([Path(each) for each in asked("files", folder)])
    except Away:
        return ""  # tried again in a moment
    except Refused as err:
        return eye.refuse(err)
    children.again("listener")  # the broker keeps its messages meanwhile
    return "the settings or tables have changed; the listener has started anew with them"


def start_parts(children: Children, folder: Path, pages: Sequence[str], *, forecasts: bool = True) -> None:
    """Start the listener, the forecasts if wanted, and last the pages.

    Parameters
    ----------
    children : Children
        Who ends them.
    folder : Path
        The shop folder.
    pages : sequence of str
        Program and arguments of the page server.
    forecasts : bool
        Whether to start these too.
    """
    children.start("listener", ourselves("listen", "--shop", str(folder)))
    if forecasts:
        start_forecasts(children, folder)
    children.start("page server", pages)


def start_forecasts(children: Children, folder: Path) -> None:
    """Start the loop that works out anew what has news."""
    children.start("forecasts", ourselves("forecast", "--watch", "--shop", str(folder)))
