"""Verdicts from the command line: `baulk verdict`."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from importlib import import_module
from pathlib import Path
from typing import Annotated, Any

import typer

from baulk.dashboard import words
from baulk.dashboard.commands.answers import HERE, JsonOption, ShopOption, say, say_json, table
from baulk.dashboard.commands.options import MaybeAt, TagsArgument
from baulk.ingest import shop as shops
from baulk.ingest.errors import DocumentError
from baulk.ingest.evaluation.document import Document, Interval, Verdict, failure_of, parse
from baulk.ingest.evaluation.document_fields import sentence, sentences
from baulk.ingest.shop import Shop
from baulk.models import units
from baulk.models.errors import OutOfRange
from baulk.models.timber import Timber

SHOWN = {
    "schema_version",
    "made_utc",
    "core_now_pct",
    "mean_now_pct",
    "shell_now_pct",
    "calibration",
    "movement",
    "checking",
    "verdict",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Found:
    """What is stored of a timber: its evaluation, or why there is none, or neither."""

    timber: Timber
    document: Document | None = None
    made_utc: datetime | None = None
    failed: str | None = None

    def to_json(self) -> dict[str, Any]:
        """Return what `--json` prints."""
        if self.document is not None:
            return {"tag": self.timber.tag, **self.document.model_dump(mode="json", include=SHOWN)}
        if self.failed is not None:
            return {"tag": self.timber.tag, "made_utc": self.made_utc, "failed": self.failed}
        return {"tag": self.timber.tag, "verdict": None}


def verdict(  # noqa: PLR0913 - one an option
    tags: TagsArgument = None,
    *,
    below: Annotated[
        float | None,
        typer.Option(
            metavar="PERCENT", help="Say instead when a part comes down to this MC.", min=1, max=200
        ),
    ] = None,
    where: Annotated[
        str | None,
        typer.Option(
            metavar="PART",
            help="With --below: mean, shell, core, or a depth as 45mm or 2in.",
            show_default="core",
        ),
    ] = None,
    held: Annotated[
        str | None,
        typer.Option(metavar="AIR", help="With --below: if the shop holds this air from now on, as 18C,65."),
    ] = None,
    at: MaybeAt = None,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Say of each timber: leave it, rough it out, or square it; when, how sure, and why.

    It shows what was last worked out; `baulk forecast` works it out anew. With --below it works the timber
    out on the spot, in the usual air of the season or in air that is held, and keeps nothing; --at, a date to
    come, asks how sure it is by then.

    Example: baulk verdict FER-03

    Example: baulk verdict FER-03 --below 20 --where core --at 2027-06-30
    """
    if below is not None:
        _below(shop, tags, (below, where or "core", held, at), json=json)
        return
    for name, given in (("--where", where), ("--held", held), ("--at", at)):
        if given is not None:
            raise OutOfRange(name, "needs --below: the moisture content to come down to")
    with shops.open(shop) as opened:
        timbers = [opened.register.get(tag) for tag in tags] if tags else opened.register.list()
        found = [_found(opened, timber) for timber in timbers]
        system = opened.config.shop.units
    if json:
        say_json([each.to_json() for each in found])
        return
    table(
        "Verdicts",
        ("tag", "species", "green", "mean MC", "core MC", "verdict", "square from", "sure by"),
        [_row(each, system) for each in found],
    )
    for each in found:
        if each.failed is not None:
            say(f"\n{each.timber.tag}: {each.failed}")
        elif each.document is not None:
            judged = each.document.verdict
            say("")
            say(f"{each.timber.tag}: {_step(judged)}")
            for reason in sentences(judged.reasons_coded, judged.reasons, system):
                say(f"  - {reason}")
            say(f"  next: {sentence(judged.next_reading_coded, judged.next_reading, system)}")


def _below(
    shop: Path, tags: list[str] | None, asked: tuple[float, str, str | None, str | None], *, json: bool
) -> None:
    """Say when; what works timbers out is loaded only here."""
    reaching, reach = (
        import_module(f"baulk.{each}") for each in ("dashboard.commands.reaching", "ingest.evaluation.reach")
    )
    now_utc = datetime.now(UTC)
    below, where, held, at = asked
    air = None if held is None else reaching.held_air(held)
    by_utc = None if at is None else reaching.date_ahead(at, now_utc)
    with shops.open(shop) as opened:
        system = opened.config.shop.units
        depth = reaching.place(where, system)
        found = [
            reach.reaching(opened, tag, now_utc, below_pct=below, where=depth, held=air, by_utc=by_utc)
            for tag in tags or [each.tag for each in opened.register.list()]
        ]
    if json:
        say_json(found)
        return
    for each in found:
        say(reaching.sentence(each, now_utc, system))


def _found(opened: Shop, timber: Timber) -> _Found:
    stored = opened.store.evaluation(timber.tag)
    if stored is None:
        return _Found(timber=timber)
    made_utc, payload = stored
    try:
        return _Found(timber=timber, document=parse(payload), made_utc=made_utc)
    except DocumentError as err:
        failed = failure_of(payload)
        why = str(err) if failed is None else failed.failed
        return _Found(timber=timber, made_utc=made_utc, failed=why)


def _row(found: _Found, system: units.System) -> tuple[str, ...]:
    timber, section = found.timber, found.timber.section
    first = (timber.tag, timber.species, units.show_size(section.width_mm, section.depth_mm, system))
    if found.document is None:
        return (*first, "-", "-", "no verdict" if found.failed else "not computed yet", "-", "-")
    judged = found.document.verdict
    return (
        *first,
        _spread(found.document.mean_now_pct),
        _spread(found.document.core_now_pct),
        _step(judged),
        words.step_from(judged, "square", found.document.made_utc),
        words.sure(judged, "square") or "-",
    )


def _step(judged: Verdict) -> str:
    if judged.contradiction:
        return f"contradiction, {judged.step}"
    if judged.step == "leave" and judged.comes_out is not None and not judged.comes_out.sure:
        return "too small, leave" if judged.comes_out.lost else "little left, leave"
    return judged.step


def _spread(value: Interval) -> str:
    return f"{value.median:.0f} % ({value.low:.0f} to {value.high:.0f})"
