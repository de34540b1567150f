"""Files in and out on the pages: look at what a CSV would do, then do it; take tables out."""

from __future__ import annotations

import io
import tempfile
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

import streamlit as st
from streamlit.runtime.uploaded_file_manager import UploadedFile

from baulk.dashboard import words
from baulk.dashboard.queries import shop_facts
from baulk.dashboard.sections import layout, press, saved, upload
from baulk.dashboard.server import preferences
from baulk.dashboard.server.shop_access import ask
from baulk.ingest.exchange import export, import_events, import_readings, import_timbers, table_file
from baulk.ingest.exchange.csv_file import open_sheet
from baulk.ingest.exchange.import_readings import Bringing
from baulk.ingest.exchange.import_timbers import Change, Status, TimberReport, Timbers
from baulk.ingest.exchange.reading_rows import Refused
from baulk.ingest.shop import Shop
from baulk.ingest.wire import units as wire_units
from baulk.ingest.wire.logger_columns import Logger, as_said
from baulk.models import formatting
from baulk.models.quantity import AT_DEPTH, SPECS, Owner, Quantity
from baulk.models.reading import Series
from baulk.models.units import System, length_mm, show_length, show_size

KINDS: Final = {
    "timbers": "Timbers, a list",
    "long": "Readings, one a row",
    "logger": "A data logger's file",
    "out": "Export",
}
MEASURES: Final[Mapping[Quantity | None, str]] = {
    None: "leave it out",
    **{one: spec.title for one, spec in SPECS.items() if not spec.of_device},
}
_SHOWN: Final = 25
_MOST_COLUMNS: Final = 12
_OTHER: Final = "another one"
_SINCE: Final = {30: "the last 30 days", 365: "the last year", None: "everything"}


def part() -> None:
    """Show the part, folded up."""
    with st.expander("Import and export", key="bring_in"):
        kind = st.segmented_control(
            "What", list(KINDS), format_func=KINDS.__getitem__, default="timbers", key="bring_kind"
        )
        with layout.errors_as_sentences():
            if kind == "out":
                _take_out()
            elif kind is not None:
                _bring_in(kind)


def _bring_in(kind: str) -> None:
    turn = st.session_state.get("bring_turn", 0)
    given = upload.box("CSV file", upload.TABLES, key=f"bring_{kind}_{turn}")
    if given is None:
        st.caption(_HINTS[kind].format(**_EXAMPLES[shop_facts.facts().system]))
        return
    if kind == "timbers":
        _timbers(given)
    elif kind == "long":
        zone = _zone()
        _readings(lambda shop: import_readings.of_long(given.getvalue(), shop, zone=zone, name=given.name))
    elif (logger := _logger(given)) is not None:
        _readings(lambda shop: import_readings.of_logger(given.getvalue(), logger, shop, name=given.name))


_EXAMPLES: Final = {
    "inch": {"green": "8 x 7 3/4 in", "length": "12 ft", "pith": "1 x -1 in"},
    "metric": {"green": "200 x 195 mm", "length": "3.6 m", "pith": "25 x -25 mm"},
}
_HINTS: Final = {
    "timbers": (
        "Columns: tag, species, green ({green}), finished, length ({length}), use, arrived (2026-11-25); "
        "if wanted pith ({pith}), place, sealed (yes or no), green mc. Nothing is entered before you have "
        "seen it. A file of events beside it brings in what happened to them."
    ),
    "long": (
        "Columns: tag or place, quantity (weight, moisture, ...), depth and face of pins, taken, value, "
        "unit; or what was taken out here. Nothing is stored before you have seen it."
    ),
    "logger": (
        "The file as the data logger wrote it. You say which column is the time and what the others are, "
        "with their units: nothing is guessed."
    ),
}


def _done(told: str) -> None:
    saved.tell(told)
    st.session_state["bring_turn"] = st.session_state.get("bring_turn", 0) + 1
    st.rerun()


# --- timbers


def _timbers(given: UploadedFile) -> None:
    now = layout.now()
    beside = upload.box(
        "What happened to them, a CSV of events, if there is one",
        upload.TABLES,
        key=f"bring_events_{st.session_state.get('bring_turn', 0)}",
        help="As Export writes it: they are entered as they arrived, and each event follows at its own time.",
    )

    def opened(shop: Shop) -> Timbers:
        happened = beside and import_events.of_file(
            beside.getvalue(), now, zone=shop.config.zone, name=beside.name
        )
        return import_timbers.of_file(given.getvalue(), name=given.name, events=happened or None)

    report = ask(lambda shop: opened(shop).look(shop, now))
    _notes(report.notes)
    new, changed = report.of(Status.NEW), report.of(Status.CHANGE)
    if new:
        heads = ("New", "Species", "Green", "Finished", "Length", "Use")
        layout.cards(heads, _new_rows(report, shop_facts.facts().system))
        _doubts(report)
    if same := report.of(Status.SAME):
        st.caption(f"There already and the same: {len(same)}")
    if changed:
        rows = [
            (each.tag, one.field, shown(one, one.old), shown(one, one.new))
            for each in changed
            for one in each.changes
        ]
        layout.cards(("There already", "Field", "Now", "In the file"), rows[:_SHOWN])
    update = bool(changed) and st.toggle(
        "Also change those that are there; each change is dated and can be taken back", key="bring_update"
    )
    _refused(
        report.refused,
        len(report.refused),
        lambda path: ask(lambda shop: opened(shop).write_refused(report, path)),
    )
    count = len(new) + (len(changed) if update else 0)
    if report.missing_events:
        st.caption(f"Events that are not there yet: {report.missing_events}")
    if not count and not report.missing_events:
        st.info("Nothing to enter.")
        return
    wanted = [formatting.count(count, "timber")] if count else []
    wanted += [formatting.count(report.missing_events, "event")] if report.missing_events else []
    if press.button(f"Import {' and '.join(wanted)}", type="primary", key="bring_go"):
        by = preferences.chosen().name
        done = ask(lambda shop: opened(shop).bring(shop, now, report, update=update, by=by))
        _done(_entered(done, late=len(done.refused) - len(report.refused)))


def _entered(done: TimberReport, *, late: int) -> str:
    """Say what has become of timbers and events, with each event that would not go in."""
    said = f"Timbers entered or changed: {sum(each.done for each in done.rows)}"
    if late:
        said += f"; refused at the last moment: {late}"
    if done.events is not None:
        said += f". Events entered: {done.events.entered}, there already: {done.events.known}"
        if refused := done.events.refused:
            said += f", refused: {len(refused)} ({'; '.join(refused[:_SHOWN])})"
    return said


def _doubts(report: TimberReport) -> None:
    found = [(f"line {row.line}", f"{row.tag}: {row.doubt}") for row in report.rows if row.doubt]
    if found:
        layout.cards(("Line", "Unlikely"), found[:_SHOWN])


def _new_rows(report: TimberReport, system: System) -> list[tuple[str, ...]]:
    found = [each.timber for each in report.of(Status.NEW) if each.timber is not None]
    return [
        (
            each.tag,
            each.species,
            show_size(each.section.width_mm, each.section.depth_mm, system),
            show_size(each.finished.width_mm, each.finished.depth_mm, system),
            show_length(each.length_mm, system),
            each.use_class,
        )
        for each in found[:_SHOWN]
    ]


def shown(change: Change, value: object) -> str:
    """Write a field's value; a moment by the shop's clock."""
    if change.field.endswith("_utc") and isinstance(value, str):
        return words.clock(datetime.fromisoformat(value))
    return "nothing" if value is None else str(value)


# --- readings


def _zone() -> str | None:
    asked = st.text_input(
        "Time zone of times without an offset",
        placeholder="Europe/Lisbon, or +01:00 for a clock that keeps no summer time",
        key="bring_zone",
    )
    return asked.strip() or None


def _readings(opened: Callable[[Shop], Bringing]) -> None:
    now = layout.now()
    with st.spinner("Looking at the file..."):
        report = ask(lambda shop: opened(shop).look(shop, now))
    _notes(report.notes)
    rows = [
        (
            each.series,
            str(each.new),
            str(each.known),
            str(each.clash),
            f"{words.clock(each.first_utc)} to {words.clock(each.last_utc)}",
            f"{each.low:g} to {each.high:g} {each.unit}",
        )
        for each in report.series
    ]
    if rows:
        layout.cards(("Series", "New", "Stored already", "Another value", "From, to", "Values"), rows)
    if report.clashes:
        st.markdown(
            "Times that are taken by another value; the stored one stays, the other goes to quarantine"
        )
        clashes = [each.partition(": ")[::2] for each in report.clashes[:_SHOWN]]
        layout.cards(("Line", "What"), clashes)
    if report.unlikely:
        st.markdown(f"Unlikely: {report.unlikely}; they are brought in as they stand, and can be taken back")
        layout.cards(("Line", "What"), [each.partition(": ")[::2] for each in report.unlikely_rows[:_SHOWN]])
    _refused(
        report.refused_rows,
        report.refused,
        lambda path: ask(lambda shop: opened(shop).look(shop, now, rejected=path)),
    )
    if not report.new:
        st.info("Nothing in it is new.")
        return
    press.draw(f"Import {formatting.count(report.new, 'reading')}", type="primary", key="bring_go")
    stored = press.work("bring_go", "Importing...", lambda: ask(lambda shop: opened(shop).store(shop, now)))
    if stored is not None:
        _done(f"Readings imported: {stored}.")


def _logger(given: UploadedFile) -> Logger | None:
    """Ask what the columns are, or take a logger of the settings; None until all of it is said."""
    known = ask(lambda shop: {each.name: each for each in shop.config.logger})
    if known:
        name = st.selectbox("Logger", [*known, _OTHER], key="bring_logger")
        if name != _OTHER:
            return known[name]
    sheet = open_sheet(
        given.getvalue(), lambda names: len(names) > 1, name=given.name, looked_for="two columns or more"
    )
    headings = [each for each in sheet.headings if each]
    time = st.selectbox("Column of the time", headings, key="bring_time")
    form = st.text_input(
        "How the time is written", "iso", key="bring_form", help="iso, unix_s, unix_ms or %d/%m/%Y %H:%M"
    )
    zone = _zone()
    columns = [
        said
        for n, heading in enumerate(each for each in headings[:_MOST_COLUMNS] if each != time)
        if (said := _column(n, heading))
    ]
    if not columns:
        st.info("Say what at least one column is.")
        return None
    return as_said(time, columns, time_format=form, zone=zone)


def _column(n: int, heading: str) -> str | None:
    """Ask what one column is."""
    what_at, of_at, unit_at = st.columns([2, 2, 1])
    quantity = what_at.selectbox(
        heading, list(MEASURES), format_func=MEASURES.__getitem__, key=f"bring_what_{n}"
    )
    if quantity is None:
        return None
    air = SPECS[quantity].owners == {Owner.AIR}
    name = of_at.text_input("Place" if air else "Tag", key=f"bring_of_{n}").strip()
    unit = unit_at.selectbox("Unit", wire_units.known(quantity), index=None, key=f"bring_unit_{n}")
    depth = ""
    if quantity in AT_DEPTH:
        like = "1 3/4 in" if shop_facts.facts().system == "inch" else "45 mm"
        depth = of_at.text_input("Depth of the pins", placeholder=like, key=f"bring_deep_{n}")
    if not name or unit is None or (quantity in AT_DEPTH and not depth.strip()):
        return None
    series = Series(
        owner=Owner.AIR if air else Owner.TIMBER,
        name=name,
        quantity=quantity,
        depth_mm=length_mm(depth) if depth.strip() else None,
    )
    return f"{heading}={series}:{unit}"


# --- both


def _notes(notes: tuple[str, ...]) -> None:
    for note in notes:
        st.caption(words.md(layout.capital(note)))


def _refused(first: Sequence[Refused], count: int, write: Callable[[Path], object]) -> None:
    """Show what is refused, and offer it as a file to be corrected."""
    if not first:
        return
    rows = [
        (str(each.line), f"{each.column}: {each.reason}" if each.column else each.reason)
        for each in first[:_SHOWN]
    ]
    st.markdown(f"Refused: {count}")
    layout.cards(("Line", "Why"), rows)

    def made() -> bytes:
        with tempfile.TemporaryDirectory() as folder:
            write(Path(folder) / "refused.csv")
            return (Path(folder) / "refused.csv").read_bytes()

    st.download_button(
        "The refused rows with their reasons, to be corrected",
        made,
        "refused.csv",
        "text/csv",
        key="bring_refused",
    )


def _take_out() -> None:
    what = st.segmented_control("Table", list(export.TABLES), default="timbers", key="out_what")
    if what is None:
        return
    days = st.selectbox(
        "How far back", list(_SINCE), format_func=_SINCE.__getitem__, index=1, key="out_since"
    )
    since = None if days is None or what == "timbers" else layout.now() - timedelta(days=days)

    def made() -> bytes:
        text = io.StringIO()
        ask(lambda shop: table_file.write_csv(export.TABLES[what](shop, export.Asked(since_utc=since)), text))
        return text.getvalue().encode()

    st.download_button(f"{what.capitalize()} as CSV", made, f"{what}.csv", "text/csv", key="out_go")
    st.caption(
        "Timbers with their events, and readings, go in again as they were. A backup of everything: "
        "Back up now, below; one every night by `backup_dir` in baulk.toml."
    )
