"""Everything of a shop in one: `baulk serve`."""

from __future__ import annotations

from pathlib import Path

from baulk.dashboard.commands.answers import HERE, ShopOption, say
from baulk.dashboard.commands.children import Children, ourselves, stop_signals
from baulk.dashboard.commands.ports import PortOption, answers, refuse_taken
from baulk.dashboard.server import access
from baulk.dashboard.server import process as pages
from baulk.dashboard.server.process import HOST
from baulk.ingest import shop as shops
from baulk.ingest.config import Config
from baulk.ingest.errors import StoreError
from baulk.ingest.settings_watch import Eye
from baulk.models.errors import BaulkError

READY_WITHIN_S = 60.0


def serve(*, port: PortOption = None, shop: ShopOption = HERE) -> None:
    """Run listener, forecasts and pages of a shop until Ctrl-C; a part that ends by itself is started again.

    What the parts say is kept in the shop folder under logs. Changed settings and tables are taken in while
    it runs; only where the pages are served ([dashboard]) needs a new start.

    Example: baulk serve --shop ferry
    """
    with shops.open(shop) as opened:
        config = opened.config
    port, folder, broker = port or config.dashboard.port, config.shop_dir, config.broker
    access.refuse_open(config, config.dashboard.host)
    refuse_taken(port)
    with stop_signals() as stop, Children(folder / "logs") as children:
        start_parts(children, folder, port, config=config)
        say(f"taking readings from the broker at {broker.host}:{broker.port}")
        say(f"the pages of {folder} are at {pages.where(config, port)}  (Ctrl-C ends)")
        eye = Eye(config)
        while not stop.wait(1.0):
            children.mend()
            if said := settings_anew(eye, children, folder):
                say(said)
    say("all parts have ended")


def settings_anew(eye: Eye, children: Children, folder: Path) -> str:
    """Have the listener read changed settings; forecasts and pages see to themselves. Return what to tell."""
    if not eye.changed():
        return ""
    try:
        with shops.open(folder) as opened:
            eye.take(opened.config)
    except StoreError:
        return ""  # tried again in a moment
    except BaulkError as err:
        return eye.refuse(err)
    children.again("listener")  # the broker keeps its messages meanwhile
    return "the settings or tables have changed; the listener has started anew with them"


def start_parts(  # noqa: PLR0913 - what a shop's parts need
    children: Children,
    folder: Path,
    port: int,
    *,
    config: Config | None = None,
    forecasts: bool = True,
    wait: bool = True,
) -> None:
    """Start the listener, the forecasts if wanted, and last the pages.

    Parameters
    ----------
    children : Children
        Who ends them.
    folder : Path
        The shop folder.
    port : int
        Port of the pages.
    config : Config, optional
        Its settings, for where the pages are reached.
    forecasts : bool
        Whether to start these too.
    wait : bool
        Whether to return only once the pages answer.
    """
    children.start("listener", ourselves("listen", "--shop", str(folder)))
    if forecasts:
        start_forecasts(children, folder)
    page_server = children.start("page server", pages.command(folder, port, config))
    if wait:
        children.wait_for(
            page_server,
            lambda: answers(port, config.dashboard.host if config else HOST),
            seconds=READY_WITHIN_S,
        )


def start_forecasts(children: Children, folder: Path) -> None:
    """Start the loop that works out anew what has news."""
    children.start("forecasts", ourselves("forecast", "--watch", "--shop", str(folder)))
