"""Forecasts and verdicts: `baulk forecast`."""

from __future__ import annotations

from contextlib import closing
from typing import Annotated

import typer

from baulk.dashboard.commands.answers import HERE, JsonOption, ShopOption
from baulk.dashboard.commands.children import stop_signals
from baulk.dashboard.commands.options import Again, MaybeAt
from baulk.ingest import shop as shops
from baulk.models.errors import OutOfRange


def forecast(  # noqa: PLR0913 - one an option
    tags: Annotated[
        list[str] | None,
        typer.Argument(help="Tags; without any, all with news.", metavar="TAG"),
    ] = None,
    *,
    everything: Annotated[
        bool,
        typer.Option(
            "--all", help="Every timber whose answer would be another: by settings too, or a new version."
        ),
    ] = False,
    again: Again = False,
    watch: Annotated[
        bool, typer.Option("--watch", help="Keep at it until Ctrl-C: each timber anew when it has news.")
    ] = False,
    workers: Annotated[
        int | None, typer.Option("--workers", min=1, help="Processes at once; one a core if left out.")
    ] = None,
    cluster: Annotated[
        str | None,
        typer.Option(
            "--cluster", metavar="ADDRESS", help="Let a running Dask cluster do it: tcp://host:port."
        ),
    ] = None,
    at: MaybeAt = None,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Fit each timber's drying to its readings, look ahead, and judge it.

    Without tags: those with news, and after a change of settings or tables every one that it touches, what
    failed before included. `baulk verdict` shows the outcome. What was worked out is kept at once: after a
    stop or a power cut the same command goes on with the rest. --again works out also what nothing has
    changed for; --at gives the forecast of an earlier day, kept to be compared with the outcome.

    Example: baulk forecast --all

    Example: baulk forecast FER-03 --at 2026-06-01
    """
    if watch and (tags or json or at or again):
        raise OutOfRange("--watch", "takes every timber and answers on the pages; leave tags and --json away")
    if cluster and workers:
        raise OutOfRange("--workers", "says nothing to a cluster, which has its own; leave one of them away")
    with stop_signals() as stop, shops.open(shop) as opened:
        if watch:
            from baulk.dashboard.commands import forecast_watch  # noqa: PLC0415 - as little as it needs
            from baulk.ingest.worker_process import WorkerProcess  # noqa: PLC0415

            with closing(WorkerProcess()) as worker:
                forecast_watch.watch(opened, stop, worker, workers=workers, cluster=cluster)
            return
        from baulk.dashboard.commands import forecast_now  # noqa: PLC0415

        forecast_now.forecast(
            opened,
            stop,
            tags,
            everything=everything,
            again=again,
            workers=workers,
            cluster=cluster,
            at=at,
            json=json,
        )
