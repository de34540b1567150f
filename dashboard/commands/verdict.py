"""Verdicts from the command line: `baulk verdict`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from importlib import import_module
from pathlib import Path
from typing import Annotated, Any, Final

import typer

from baulk.dashboard import words
from baulk.dashboard.commands.answers import HERE, JsonOption, ShopOption, say, say_item, say_json, table
from baulk.dashboard.commands.options import MaybeAt, TagsArgument
from baulk.ingest import shop as shops
from baulk.ingest.errors import DocumentError
from baulk.ingest.evaluation.document import Document, Interval, Verdict
from baulk.ingest.evaluation.document_fields import sentence, sentences
from baulk.ingest.evaluation.document_read import failure_of, parse
from baulk.ingest.shop import Shop
from baulk.models import units
from baulk.models.errors import OutOfRange
from baulk.models.reason import Reason
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
MOST_REASONS: Final = 5
# said behind the verdict's own reasons, and yet they say that it may not be of this timber
_FIRST: Final = frozenset({"verdict.contradiction", "verdict.settle_first", "calibration.swapped"})


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
    why: Annotated[
        bool, typer.Option("--why", help="The reasons of each: at most five, the most binding first.")
    ] = False,
    at: MaybeAt = None,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Say of each timber: leave it, rough it out, or square it; when, how sure, and why.

    One line a timber, of what was last worked out; `baulk forecast` works it out anew. With tags or --why the
    reasons follow; what concerns the whole shed is said once. A range is meant to hold the truth nine times
    in ten. With --below it works the timber out on the spot, in the usual air of the season or in air that
    is held, and keeps nothing; --at, a date to come, asks how sure it is by then.

    Example: baulk verdict FER-03 --why

    Example: baulk verdict FER-03 --below 20 --where core --at 2027-06-30
    """
    if below is not None:
        _below(shop, tags, (below, where or "core", held, at), json=json)
        return
    for name, given in (("--where", where), ("--held", held), ("--at", at)):
        if given is not None:
            raise OutOfRange(name, "needs --below: the moisture content to come down to")
    with shops.open(shop) as opened:
        words.keep_to(opened.config.zone)
        timbers = [opened.register.get(tag) for tag in tags] if tags else opened.register.list()
        found = [_found(opened, timber) for timber in timbers]
        system = opened.config.shop.units
    if json:
        say_json([each.to_json() for each in found])
    else:
        _tell(found, system, why=why or bool(tags))


def _tell(found: Sequence[_Found], system: units.System, *, why: bool) -> None:
    """Say a line a timber, the reasons if they are wanted, and once what is of the shed."""
    table(
        "Verdicts",
        ("tag", "mean MC", "core MC", "verdict", "square from", "sure"),
        [_row(each) for each in found],
    )
    for each in found:
        if each.failed is not None:
            say_item(f"{each.timber.tag} has no verdict: {each.failed}")
    if why:
        for each in found:
            _tell_why(each, system)
    if of_shed := _of_the_shed(found, system):
        say("\nOf the shed and the yard:")
        for line in of_shed:
            say_item(line)


def _tell_why(found: _Found, system: units.System) -> None:
    """Say the reasons that bind most, and what to measure next."""
    if found.document is None:
        return
    judged = found.document.verdict
    coded = [each for each in judged.reasons_coded if not _shared(each)]
    coded.sort(key=lambda each: each.code not in _FIRST)
    said = sentences(coded, judged.reasons, system, zone=words.zone())
    say(f"\n{found.timber.tag}: {_step(judged)}")
    for reason in said[:MOST_REASONS]:
        say_item(reason)
    if len(said) > MOST_REASONS:
        say(f"  and {len(said) - MOST_REASONS} more on the timber's page, in its record and with --json")
    following = sentence(judged.next_reading_coded, judged.next_reading, system, zone=words.zone())
    say_item(following, mark="next:")


def _shared(reason: Reason) -> bool:
    """Whether it is of the shed or of the yard, and so the same for many timbers."""
    return reason.code.startswith(("climate.", "yard."))


def _of_the_shed(found: Sequence[_Found], system: units.System) -> tuple[str, ...]:
    """Return what is of the shed or the yard, each once; of gaps in the air the longest."""
    shared: dict[tuple[object, ...], Reason] = {}
    for each in found:
        for one in () if each.document is None else each.document.verdict.reasons_coded:
            if not _shared(one):
                continue
            key = (one.code, one.values.get("place"), one.values.get("species"))
            if key not in shared or _days(one) > _days(shared[key]):
                shared[key] = replace(one, values={**one.values, "tag": each.timber.tag})
    return sentences(list(shared.values()), (), system, zone=words.zone())


def _days(reason: Reason) -> float:
    days = reason.values.get("days")
    return float(days) if isinstance(days, int | float) else 0.0


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
    with shops.open(shop) as opened:
        words.keep_to(opened.config.zone)
        by_utc = None if at is None else reaching.date_ahead(at, now_utc, opened.config.zone)
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


def _row(found: _Found) -> tuple[str, ...]:
    if found.document is None:
        return (found.timber.tag, "-", "-", "no verdict" if found.failed else "not computed yet", "-", "-")
    judged = found.document.verdict
    return (
        found.timber.tag,
        _spread(found.document.mean_now_pct),
        _spread(found.document.core_now_pct),
        "contradiction" if judged.contradiction else _step(judged),
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
    return f"{value.low:.0f} to {value.high:.0f} %"
