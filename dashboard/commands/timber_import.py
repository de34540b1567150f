"""Timbers from a file: `baulk timber import`."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any, Final

import typer

from baulk.dashboard import words
from baulk.dashboard.commands.answers import HERE, JsonOption, ShopOption, say, say_json, table
from baulk.dashboard.commands.options import By, FileArgument, Rejected, Yes
from baulk.dashboard.commands.reading_import import agreed, end_if_all_refused, refused_line
from baulk.ingest import shop as shops
from baulk.ingest.exchange import import_events, import_timbers
from baulk.ingest.exchange.import_timbers import Change, Planned, Status, TimberReport
from baulk.models import units
from baulk.models.formatting import show_along
from baulk.models.units import System

_SHOWN: Final = 50  # rows on screen; --json has them all


def import_(  # noqa: PLR0913 - one an option
    file: FileArgument,
    *,
    update: Annotated[
        bool,
        typer.Option("--update", help="Also change timbers that are there, each field dated and undoable."),
    ] = False,
    events: Annotated[
        Path | None,
        typer.Option("--events", help="A CSV of `baulk export events`.", metavar="FILE"),
    ] = None,
    rejected: Rejected = None,
    by: By = "",
    yes: Yes = False,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Enter timbers from a CSV file: one that `baulk export timbers` wrote, or a list typed in a spreadsheet.

    First it says what would happen: which are new, which are there and the same, what would change field by
    field, and which rows are refused and why. Good rows go in even when others are refused. Columns: tag,
    species, green (8 x 7 3/4 in), finished, length (12 ft), use, arrived; if wanted pith (1 x -1 in),
    centre, place, sealed (yes or no), green mc. An empty cell says nothing. A length without a unit is
    taken in that of its heading, as in "length (ft)", else in the shop's. With --events they are entered as
    they arrived, and what happened to them follows at its own time.

    Example: baulk timber import arrivals.csv --rejected mend.csv --yes

    Example: baulk timber import timbers.csv --events events.csv
    """
    now_utc = datetime.now(UTC)
    with shops.open(shop, durable=True) as opened:
        words.keep_to(opened.config.zone)
        happened = None if events is None else import_events.of_file(events, now_utc, zone=opened.config.zone)
        bringing, system = import_timbers.of_file(file, events=happened), opened.config.shop.units
        report = bringing.look(opened, now_utc)
        bringing.write_refused(report, rejected)
        if not json:
            show(report, system, update=update)
            refused_line(len(report.refused), rejected)
        wanted = len(report.of(Status.NEW)) + (len(report.of(Status.CHANGE)) if update else 0)
        if (wanted or report.missing_events) and agreed(yes=yes, json=json):
            refused = len(report.refused)
            report = bringing.bring(opened, now_utc, report, update=update, by=by)
            if len(report.refused) > refused:
                bringing.write_refused(report, rejected)
    if json:
        say_json(
            {
                "file": report.file,
                "update": update,
                "notes": report.notes,
                "waited": report.waited,
                "missing_events": report.missing_events,
                "events": report.events,
                "rows": [_row(each) for each in report.rows],
            }
        )
    else:
        _say_done(report)
    if len(report.refused) == len(report.rows) and not report.missing_events:
        end_if_all_refused(len(report.refused), json=json)


def _row(row: Planned) -> dict[str, Any]:
    return {
        name: getattr(row, name)
        for name in ("line", "tag", "status", "timber", "changes", "reason", "doubt", "done")
    }


def show(report: TimberReport, system: System, *, update: bool) -> None:
    """Print what would become of each row."""
    for note in report.notes:
        say(f"{report.file}: {note}")
    if not report.rows:
        say(f"{report.file} has a line of headings, and no timber under it")
    new = report.of(Status.NEW)
    if new:
        table(
            f"new: {len(new)}",
            ("line", "tag", "species", "green", "finished", "length", "use class", "place", "arrived"),
            [new_row(each, system) for each in new[:_SHOWN]],
        )
    if same := report.of(Status.SAME):
        say(f"there already and the same: {len(same)}")
    if changed := report.of(Status.CHANGE):
        hint = "" if update else "; left as they are without --update"
        say(f"there already and another: {len(changed)}{hint}")
        for row in changed[:_SHOWN]:
            say(f"line {row.line}, {row.tag}: {'; '.join(change_words(each) for each in row.changes)}")
    if report.missing_events:
        say(f"events that are not in the register: {report.missing_events}")
    for row in [each for each in new if each.doubt][:_SHOWN]:
        say(f"line {row.line}, {row.tag}: {row.doubt}")
    for row in report.of(Status.REFUSED)[:_SHOWN]:
        say(f"line {row.line}: {row.reason}")


def new_row(row: Planned, system: System) -> tuple[str, ...]:
    """Give a new timber in words."""
    timber = row.timber
    assert timber is not None  # noqa: S101 - a new one has been made
    green, piece = timber.section, timber.finished
    return (
        str(row.line),
        timber.tag,
        timber.species,
        units.show_size(green.width_mm, green.depth_mm, system),
        units.show_size(piece.width_mm, piece.depth_mm, system),
        show_along(timber.length_mm, system),
        timber.use_class,
        timber.place,
        f"{words.local(timber.arrived_utc):%Y-%m-%d}",
    )


def change_words(change: Change) -> str:
    """Say what would change."""
    return f"{change.field} {_shown(change, change.old)} -> {_shown(change, change.new)}"


def _shown(change: Change, value: object) -> str:
    """Write a field's value; a moment by the shop's clock, as `--at` takes it."""
    if change.field.endswith("_utc") and isinstance(value, str):
        return f"{words.local(datetime.fromisoformat(value)):%Y-%m-%d %H:%M}"
    return "nothing" if value is None else str(value)


def _say_done(report: TimberReport) -> None:
    if report.events is not None:
        say(f"events entered: {report.events.entered}, there already: {report.events.known}")
        for each in report.events.refused:
            say(f"refused: {each}")
    done = [row for row in report.rows if row.done]
    if not done:
        return
    entered = sum(row.status is Status.NEW for row in done)
    say(f"timbers entered: {entered}, changed: {len(done) - entered}")
    if report.waited:
        say(f"Readings that waited in quarantine for these tags and are now stored: {report.waited}.")
