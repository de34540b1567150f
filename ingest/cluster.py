"""The same work on a Dask cluster that is there already: an optional extra, loaded only when asked for.

The inputs of a timber travel whole, so a worker needs no store, only this program in the very version that
asks; the answers come back and are kept here. A worker that dies is the scheduler's business: it gives the
timber to another.
"""

from __future__ import annotations

import importlib
import logging
import time
import warnings
from concurrent.futures import Executor, Future
from typing import Any, Final

from baulk.ingest.errors import extra_missing
from baulk.ingest.evaluation import Evaluation
from baulk.ingest.fingerprint import model_version
from baulk.ingest.inputs import Inputs
from baulk.ingest.team import on_one_core
from baulk.models.errors import BaulkError

WITHIN_S: Final = 10.0
LOOK_EVERY_S: Final = 5.0
_DEADLY: Final = "worker after worker of the cluster died over it; look at their memory and logs"


class ClusterError(BaulkError, OSError):
    """The cluster can't be used, and why."""


class Cluster:
    """Workers of a running Dask cluster.

    Parameters
    ----------
    address : str
        Of its scheduler, for instance ``tcp://10.0.0.5:8786``.
    within_s : float
        How long it may take to answer. [s]

    Raises
    ------
    ClusterError
        If the extra is not installed, nobody answers, or a worker lacks this program or has another version.
    """

    breaks_whole = False

    def __init__(self, address: str, *, within_s: float = WITHIN_S) -> None:
        self._address, self._size, self._looked_s = address, 1, -LOOK_EVERY_S
        self._client = _client(address, within_s)
        try:
            self._look_at_workers(within_s)
            self._executor: Executor = self._client.get_executor(pure=False)
        except BaseException:
            self.close()
            raise

    @property
    def size(self) -> int:
        """How many threads its workers have; looked at every few seconds."""
        if time.monotonic() > self._looked_s + LOOK_EVERY_S:
            try:
                self._size = max(1, int(sum(self._client.nthreads().values())))
            except OSError as err:
                raise self._gone() from err
            self._looked_s = time.monotonic()
        return self._size

    def submit(self, inputs: Inputs) -> Future[Evaluation]:
        """Hand it to the scheduler."""
        self._refuse_gone()
        given: Future[Evaluation] = Future()

        def pass_on(done: Future[Evaluation]) -> None:
            if done.cancelled():
                given.cancel()
                given.set_running_or_notify_cancel()
            elif (err := done.exception()) is None:
                given.set_result(done.result())
            elif type(err).__name__ == "KilledWorker":
                given.set_exception(ClusterError(_DEADLY))
            else:
                given.set_exception(err)

        self._executor.submit(as_asked, inputs, here()).add_done_callback(pass_on)
        return given

    def mend(self) -> None:
        """Go on if the scheduler is still there."""
        self._refuse_gone()

    def close(self) -> None:
        """Leave the cluster as it was found."""
        self._client.close(timeout=2)

    def _refuse_gone(self) -> None:
        if self._client.status != "running":
            raise self._gone()

    def _gone(self) -> ClusterError:
        return ClusterError(
            f"the Dask scheduler at {self._address} is gone; what came back until then is kept, and the same "
            "command goes on from there"
        )

    def _look_at_workers(self, within_s: float) -> None:
        try:
            self._client.wait_for_workers(1, timeout=within_s)
        except TimeoutError as err:
            raise ClusterError(
                f"the Dask scheduler at {self._address} has no workers; start some, for instance with "
                f"`dask worker {self._address}`"
            ) from err
        found = self._client.run(model_version, on_error="return")
        for worker, theirs in found.items():
            if isinstance(theirs, ModuleNotFoundError):
                raise ClusterError(f"the worker at {worker} can't import {theirs.name}; install Baulk there")
            if theirs != here():
                raise ClusterError(_differs(f"the worker at {worker}", theirs))


def as_asked(inputs: Inputs, version: str) -> Evaluation:
    """Work one timber out on a worker, unless its program is another than the one that asks."""
    if (ours := here()) != version:  # a worker that came while the run was on
        raise ClusterError(_differs("a worker of the cluster", ours, version))
    return on_one_core(inputs)


def here() -> str:
    """Give the version of this program."""
    return model_version()


def _differs(who: str, theirs: object, ours: str | None = None) -> str:
    return (
        f"{who} has Baulk {theirs}, here it is {ours or here()}; install the same on both, for two "
        "versions would give two answers"
    )


def _client(address: str, within_s: float) -> Any:  # noqa: ANN401 - the package has no types of its own
    try:
        distributed = importlib.import_module("distributed")  # an optional extra, slow to load
    except ImportError as err:
        raise ClusterError(extra_missing("A cluster", "cluster")) from err
    if "://" not in address:
        raise ClusterError(f"the address of a cluster looks like tcp://10.0.0.5:8786, not {address!r}")
    logging.getLogger("distributed").setLevel(logging.CRITICAL)  # what matters of it is said in our words
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # its own table of versions; ours is the one that decides
            return distributed.Client(address, timeout=within_s, set_as_default=False)
    except (OSError, TimeoutError, ValueError) as err:
        raise ClusterError(
            f"no Dask scheduler answers at {address} within {within_s:.0f} s; check the address, and the "
            "scheduler"
        ) from err
