"""What is worked out of a whole shop in one go; under --watch by a process that comes for it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime

from baulk.ingest import shop as shops
from baulk.ingest.config import Config
from baulk.ingest.evaluation import batch, standing, swaps, yard_memory
from baulk.ingest.evaluation.compute import Answered
from baulk.ingest.evaluation.due import SENSORS_EVERY
from baulk.ingest.evaluation.executors import Cluster, Team
from baulk.ingest.monitoring import nightly
from baulk.ingest.shop import Shop
from baulk.ingest.store import notes
from baulk.ingest.worker_process import JobContext
from baulk.models import text
from baulk.models.formatting import count
from baulk.models.woods import Woods


@dataclass(frozen=True, slots=True, kw_only=True)
class JobSettings:
    """What the process that does it needs: the settings as the one that asks has them, and with whom.

    Parameters
    ----------
    config, woods : Config and Woods
        Of the open shop; the files may be half saved meanwhile.
    workers : int, optional
        Processes at once; one a core if left out.
    cluster : str, optional
        Address of a Dask cluster that does it.
    """

    config: Config
    woods: Woods
    workers: int | None = None
    cluster: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Begun:
    """A timber is begun."""

    tag: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Ended:
    """A timber is done.

    Parameters
    ----------
    made_utc : datetime or None
        When it was evaluated; None where the stored answer holds.
    tag : str
        Which timber; empty where the stored answer holds.
    failed : str or None
        Why there is no verdict.
    """

    made_utc: datetime | None = None
    tag: str = ""
    failed: str | None = None


def work_out(
    job: JobContext, settings: JobSettings, now: datetime, tags: list[str] | None, without: frozenset[str]
) -> bool:
    """Work out timbers with news, or every one from its arrival after what they teach each other.

    Parameters
    ----------
    line : JobContext
        Told `Begun` and `Ended` of each timber.
    settings : JobSettings
        Shop and helpers.
    now : datetime
        Now, with a time zone.
    tags : list of str or None
        Those with news; None for all.
    without : frozenset of str
        Left out, as they end the process that tries them.

    Returns
    -------
    bool
        Whether all of it was done, and not stopped.
    """
    with _open(settings) as shop, team_of(settings.cluster) as team:
        whole = tags is None
        if tags is None:
            yard_memory.refresh(shop, now)
            tags = asked(shop, None, everything=True)
        made = batch.run(
            shop, [each for each in tags if each not in without], now, workers=settings.workers, team=team,
            whole=whole, begun=lambda tag: job.tell(Begun(tag=tag)),
            done=lambda one: job.tell(_ended(one)), stop=job.stopped,
        )  # fmt: skip
        stopped = made.stopped or job.stopped()
        if whole and not stopped:
            standing.looked_over(shop)
        return not stopped


def see_swaps(job: JobContext, settings: JobSettings, now: datetime) -> list[str]:
    """Look for timbers that bear each other's tag; return a sentence for each pair that is new."""
    with _open(settings) as shop, team_of(settings.cluster) as team:
        return look_for_swaps(shop, now, settings.workers, team, job.stopped)


def night(job: JobContext, settings: JobSettings, now: datetime) -> None:
    """Do what of the night's work is due, the backup last; tell a sentence of each."""
    with _open(settings) as shop:
        if mended := nightly.mend_times(shop, now):
            job.tell(f"given a better time, for their sensor's clock is wrong: {count(mended, 'reading')}")
        nightly.tidy_messages(shop, now)
        if gone := nightly.thin(shop, now):
            job.tell(f"{gone} old sensor readings thinned, as [store] thin_after_days asks")
        if gone := nightly.age_quarantine(shop, now):
            let_go = count(gone, "message")
            job.tell(f"deleted from quarantine, older than [store] quarantine_days: {let_go}")
        if planned := nightly.plan_airs(shop, now, job.stopped, lambda: timbers_due(shop)):
            job.tell(f"the air of {count(planned, 'place')} planned for the page Shop air")
        left = shop.store.noted(nightly.AIRS_LEFT_KEY) is not None  # somebody waits, the backup too
        if not left and not job.stopped() and (told := nightly.back_up(shop, now)):
            job.tell(told)


def timbers_due(shop: Shop) -> bool:
    """Whether timbers are due, for which the planning of rooms is interrupted."""
    return bool(shop.store.stale(datetime.now(UTC) - SENSORS_EVERY))


def look_for_swaps(
    shop: Shop, now: datetime, workers: int | None, team: Team | None, stop: Callable[[], bool]
) -> list[str]:
    """Look who bears another's tag, have both verdicts say so or no longer say so, and return what is new."""
    before = {each.tags for each in notes.swaps(shop.store)}
    found = {
        each.tags: text.sentence(each.reason, "metric", zone=shop.config.zone)
        for each in swaps.look(shop, now)
    }
    changed = [
        tag for tag in asked(shop, None, everything=True) if any(tag in pair for pair in before ^ set(found))
    ]
    if changed:
        batch.run(shop, changed, now, workers=workers, team=team, whole=False, stop=stop)
    return [words for pair, words in found.items() if pair not in before]


def asked(shop: Shop, tags: list[str] | None, *, everything: bool) -> list[str]:
    """Return the tags that were named, in their own spelling; else every one, or those with news."""
    if tags:
        return [shop.register.get(tag).tag for tag in tags]
    return [each.tag for each in shop.register.list()] if everything else shop.store.stale()


@contextmanager
def team_of(cluster: str | None) -> Iterator[Team | None]:
    """Give the workers of a cluster for a while, if one is named."""
    if cluster is None:
        yield None
        return
    with closing(Cluster(cluster)) as team:
        yield team


def _open(settings: JobSettings) -> Shop:
    return shops.opened_by(settings.config, settings.woods)


def _ended(made: Answered | None) -> Ended:
    return Ended() if made is None else Ended(made_utc=made.made_utc, tag=made.tag, failed=made.failed)
