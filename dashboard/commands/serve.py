"""Everything of a shop in one: `baulk serve`."""

from __future__ import annotations

from pathlib import Path

from baulk.dashboard import serve as pages
from baulk.dashboard.commands.answers import HERE, ShopOption, say
from baulk.dashboard.commands.children import Children, ourselves, stop_signals
from baulk.dashboard.commands.ports import PortOption, answers, refuse_taken
from baulk.ingest import shop as shops

READY_WITHIN_S = 60.0


def serve(*, port: PortOption = None, shop: ShopOption = HERE) -> None:
    """Run listener, forecasts and pages of a shop until Ctrl-C; a part that ends by itself is started again.

    What the parts say is kept in the shop folder under logs.
    """
    with shops.open(shop) as opened:
        port = port or opened.config.dashboard.port
        folder = opened.config.shop_dir
        broker = opened.config.broker
    refuse_taken(port)
    with stop_signals() as stop, Children(folder / "logs") as children:
        start_parts(children, folder, port)
        say(f"taking readings from the broker at {broker.host}:{broker.port}")
        say(f"the pages of {folder} are at http://{pages.HOST}:{port}  (Ctrl-C ends)")
        while not stop.wait(1.0):
            children.mend()
    say("all parts have ended")


def start_parts(
    children: Children, folder: Path, port: int, *, forecasts: bool = True, wait: bool = True
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
    forecasts : bool
        Whether to start these too.
    wait : bool
        Whether to return only once the pages answer.
    """
    children.start("listener", ourselves("listen", "--shop", str(folder)))
    if forecasts:
        start_forecasts(children, folder)
    page_server = children.start("page server", pages.command(folder, port))
    if wait:
        children.wait_for(page_server, lambda: answers(port), seconds=READY_WITHIN_S)


def start_forecasts(children: Children, folder: Path) -> None:
    """Start the loop that works out anew what has news."""
    children.start("forecasts", ourselves("forecast", "--watch", "--shop", str(folder)))
