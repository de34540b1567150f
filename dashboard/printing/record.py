"""The drying record of one timber, to print and keep with the job."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from reportlab.graphics.shapes import Drawing, Line, Rect
from reportlab.platypus import (
    Flowable,
    KeepTogether,
    Spacer,
    Table,
    TableStyle,
)

from baulk.dashboard import words
from baulk.dashboard.charts.butt_end import Pin
from baulk.dashboard.printing import (
    drawings,
    labels,
    page,
    record_hands,
    record_measured,
    record_readings,
    style,
)
from baulk.dashboard.printing.style import MM
from baulk.ingest.correction_notes import Correction
from baulk.ingest.evaluation.document import Document, Interval, Outline, Verdict
from baulk.ingest.evaluation.document_fields import sentence, sentences
from baulk.ingest.store.notes import HandMeter
from baulk.models import formatting, sapwood, units
from baulk.models.openings import Opening
from baulk.models.quantity import AT_DEPTH
from baulk.models.reading import Reading
from baulk.models.reason import Reason
from baulk.models.species import SpeciesTable
from baulk.models.text import events as event_text
from baulk.models.timber import Event, Timber
from baulk.models.use_class import UseClass

CAUTIONS: Final = (
    (
        "This record says how wet the piece is thought to be and how far it may still move. It says nothing "
        "of its strength: structural use is graded and approved under the local code by those licensed to."
    ),
    (
        "The moisture inside is computed from the readings listed and carries the ranges shown; a piece "
        "that matters is weighed, or cut and oven-dried, before it is relied on."
    ),
    (
        "A boxed heart checks whatever the air. Wet faces grow mould in damp, still air. Oak dust and "
        "mould harm the lungs: extract the dust and wear a mask that fits."
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Record:
    """Everything that the record of one timber shows.

    Parameters
    ----------
    shop : str
        Name of the shop.
    timber : Timber
        The piece.
    use : UseClass
        Where it will live.
    species : SpeciesTable
        The woods that the shop knows.
    answer : Document or None
        Its last evaluation.
    trouble : str or None
        Why there is none.
    events : sequence of Event
        What happened to it.
    readings : sequence of Reading
        All of them.
    made_utc : datetime
        When the record was printed.
    url : str
        Where the pages are served.
    system : "inch" or "metric"
        Units of lengths and masses.
    temperature : "F" or "C"
        Units of temperatures.
    openings : sequence of Opening
        Its checks, shakes and splits.
    foretold : sequence of Reason
        How its checking margin stood what was seen of them.
    corrections : sequence of Correction
        Readings that were taken back or put right.
    hand_meter : HandMeter or None
        What is on record of the meter behind readings by hand.
    lying : sequence of Reason
        What to look for while it lies.
    former : sequence of str
        Tags that it had before.
    """

    shop: str
    timber: Timber
    use: UseClass
    species: SpeciesTable
    answer: Document | None
    trouble: str | None
    events: Sequence[Event]
    readings: Sequence[Reading]
    made_utc: datetime
    url: str
    system: units.System
    temperature: units.TemperatureUnit
    openings: Sequence[Opening] = ()
    foretold: Sequence[Reason] = ()
    corrections: Sequence[Correction] = ()
    hand_meter: HandMeter | None = None
    lying: Sequence[Reason] = ()
    former: Sequence[str] = ()


def pdf(record: Record, *, paper: str = "a4") -> bytes:
    """Lay the record out.

    Parameters
    ----------
    record : Record
        What it shows.
    paper : str
        "a4" or "letter".

    Returns
    -------
    bytes
        A PDF.

    Raises
    ------
    PaperError
        If the paper is not known.
    """
    room = page.room(paper)
    parts: list[Flowable] = [
        *_head(record, room),
        *record_hands.source(record.events, room),
        *_verdict(record, room),
        *_moisture(record, room),
        *_movement(record, room),
        *record_measured.sizes(record.answer, record.system, room),
        *record_measured.checks(record.openings, record.foretold, record.system, room),
        *_events(record, room),
        *record_hands.stages(record.events, room),
        *record_readings.table(record.readings, record.answer, (record.system, record.temperature), room),
        *record_hands.corrected(record.corrections, record.system, record.temperature, room),
        *record_hands.instruments(record.readings, record.events, record.hand_meter, record.system),
        *record_hands.people(record.events, record.corrections),
        *record_hands.lying(record.lying, record.system),
        *_cautions(),
        *record_hands.signature(room),
    ]
    return page.document(
        parts,
        title=f"Drying record of {record.timber.tag}",
        shop=record.shop,
        made_utc=record.made_utc,
        paper=paper,
    )


def _head(record: Record, room: float) -> list[Flowable]:
    timber, system = record.timber, record.system
    green, want = timber.section, timber.finished
    side = 30 * MM
    code = Drawing(side, side)
    code.add(style.code(labels.address(record.url, timber.tag), side))
    wood = record.species.get(timber.species)
    weight = sapwood.green_weight(
        green, timber.length_mm, wood, heartwood_mm=timber.heartwood_mm, mc_pct=timber.green_mc_pct
    )
    light, heavy = (units.show_mass(each, system) for each in (weight.light_kg, weight.heavy_kg))
    x, y = _signed(green.pith_x_mm, system), _signed(green.pith_y_mm, system)
    heart = "boxed heart" if green.boxed_heart else "free of heart"
    pith = f"{heart}, pith {x} across and {y} up from the centre"
    rows = [
        ("species", f"{wood.name} ({wood.latin})"),
        (
            "green",
            (
                f"{units.show_size(green.width_mm, green.depth_mm, system)}, "
                f"{formatting.show_along(timber.length_mm, system)} long; {pith}"
            ),
        ),
        ("to finish", units.show_size(want.width_mm, want.depth_mm, system)),
        ("for", record.use.title),
        (
            "lies in",
            (
                f"{timber.place}, since {words.day(timber.arrived_utc)}; "
                f"{event_text.ends(timber, record.events, zone=words.zone())}"
            ),
        ),
        ("green weight", f"{light} to {heavy}: lift it with enough people or a hoist"),
    ]
    left = [
        page.text(record.shop, 8, textColor=style.QUIET),
        page.text(f"Drying record: {timber.tag}", 18, bold=True, spaceAfter=5),
        *([page.text(f"Formerly {', '.join(record.former)}", 8)] if record.former else []),
        page.table((), rows, (25 * MM, room - side - 32 * MM)),
    ]
    return [page.beside(left, code, (room - side - 6, side + 6))]


def _signed(mm: float, system: units.System) -> str:
    return ("-" if mm < 0 else "") + units.show_length(abs(mm), system)


def _verdict(record: Record, room: float) -> list[Flowable]:
    if record.answer is None:
        why = record.trouble or "there is no verdict yet; it comes with the next forecast"
        return [page.heading("Verdict"), page.text(f"None: {why}")]
    judged = record.answer.verdict
    told = words.judged(judged)
    lines = [
        (
            words.step(name).word,
            words.step_from(judged, name, record.made_utc),
            f"{sure} sure today" if (sure := words.sure(judged, name)) else "",
        )
        for name in judged.dates
    ]
    size = judged.rough_out_size_mm
    following = sentence(judged.next_reading_coded, judged.next_reading, record.system, zone=words.zone())
    box = Table(
        [[_shape(told), [page.text(told.word, 14, bold=True), page.text(told.sentence, 9)]]],
        colWidths=[13 * MM, room - 13 * MM],
    )
    box.setStyle(
        TableStyle([("BOX", (0, 0), (-1, -1), 1.2, style.INK), ("VALIGN", (0, 0), (-1, -1), "MIDDLE")])
    )
    return [
        page.heading(f"Verdict of {words.clock(record.answer.made_utc)}"),
        box,
        Spacer(1, 4),
        page.table(("step", "true from", "how sure"), lines, (room * 0.25, room * 0.35, room * 0.4)),
        *_conditions(judged, record, room),
        *([page.text(f"Rough out to {units.show_size(*size, record.system)}.")] if size else []),
        Spacer(1, 3),
        *[
            page.text(f"• {reason}", 8, leftIndent=8, bulletIndent=0, spaceAfter=1.5)
            for reason in sentences(judged.reasons_coded, judged.reasons, record.system, zone=words.zone())
        ],
        page.text(f"Next reading: {following}", 8, spaceBefore=3),
    ]


def _conditions(judged: Verdict, record: Record, room: float) -> list[Flowable]:
    rows = words.conditions(judged, record.made_utc)
    if not rows:
        return []
    widths = (room * 0.45, room * 0.2, room * 0.35)
    return [Spacer(1, 3), page.table(("condition", "sure today", "sure enough"), rows, widths)]


def _shape(told: words.Step) -> Drawing:
    """Draw the verdict's own square: full, half full, empty; an unequal sign where readings contradict."""
    side = 9 * MM
    drawing = style.sheet_of(side, side)
    if told is words.CONTRADICTION:
        for x0, y0, x1, y1 in ((0.1, 0.35, 0.9, 0.35), (0.1, 0.65, 0.9, 0.65), (0.3, 0.05, 0.7, 0.95)):
            drawing.add(
                Line(side * x0, side * y0, side * x1, side * y1, strokeColor=style.INK, strokeWidth=2.2)
            )
        return drawing
    part = {words.STEPS["square"]: 1.0, words.STEPS["rough out"]: 0.5}.get(told, 0.0)
    drawing.add(Rect(0, 0, side * part, side, fillColor=style.INK, strokeColor=None))
    drawing.add(Rect(0, 0, side, side, fillColor=None, strokeColor=style.INK, strokeWidth=1.6))
    return drawing


def _pins(readings: Sequence[Reading]) -> list[Pin]:
    at = {(r.series.depth_mm, r.series.face) for r in readings if r.series.quantity in AT_DEPTH}
    return [Pin(depth_mm=depth, face=face) for depth, face in sorted(at, key=str) if depth is not None]


def _moisture(record: Record, room: float) -> list[Flowable]:
    if record.answer is None:
        return []
    answer, home = record.answer, (record.use.service_low_pct, record.use.service_high_pct)
    picture = drawings.section_drawing(
        record.timber, answer, _pins(record.readings), record.system, room * 0.36
    )
    said = [
        page.text(f"{name}: {words.span(s.median, s.low, s.high)} MC", 9)
        for name, s in (
            ("Core", answer.core_now_pct),
            ("Mean moisture content", answer.mean_now_pct),
            ("Shell", answer.shell_now_pct),
        )
    ]
    fans = [drawings.fan_drawing(answer, which, home, (room * 0.6, 38 * MM)) for which in ("core", "mean")]
    note = page.text(
        "Line: most likely. Dark: half the chances. Light: nine in ten. Green: its moisture in service, "
        f"{home[0]:.0f} to {home[1]:.0f} %. Dots: the deepest pins, hollow where they say only 'at least'. "
        "Left: butt end; dashed, the finished piece; cross, the pith; dots, pins.",
        6.5,
        textColor=style.QUIET,
    )
    return [
        KeepTogether(
            [
                page.heading("Moisture inside, and how it goes on"),
                page.beside([picture, *said], [*fans, note], (room * 0.38, room * 0.62)),
            ]
        )
    ]


def _movement(record: Record, room: float) -> list[Flowable]:
    if record.answer is None:
        return []
    move, system = record.answer.movement, record.system
    per, digits, unit = (25.4, 2, "in") if system == "inch" else (1.0, 1, "mm")

    def row(name: str, span: Interval) -> tuple[str, str, str]:
        low, middle, high = (round(v / per, digits) + 0.0 for v in (span.low, span.median, span.high))
        return name, f"{middle:+.{digits}f}", f"{low:+.{digits}f} to {high:+.{digits}f}"

    rows = [row(f"face {name}", span) for name, span in sorted(move.face_mm.items())]
    rows.append(row("out of square", move.out_of_square_mm))
    rows += [row("cup", move.cup_mm), *(row(name, span) for name, span in words.of_check(move).items())]
    stages: tuple[tuple[str, Outline | None], ...] = (
        (f"size after {move.build_days:.0f} days' work", move.build),
        (f"size in its driest season, {move.service_low_pct:.0f} %", move.service_low),
        (f"size in its dampest season, {move.service_high_pct:.0f} %", move.service_high),
    )
    rows += [row(name, stage.size_change_mm or stage.width_mm) for name, stage in stages if stage]
    return [
        KeepTogether(
            [
                page.heading("Movement still to come, if squared now"),
                page.table(
                    ("", f"likely, {unit}", f"nine in ten, {unit}"),
                    rows,
                    (room * 0.4, room * 0.25, room * 0.35),
                ),
                page.text(
                    f"Allowed for this use: {move.tolerance_mm / per:.{digits}f} {unit}. "
                    "A minus means it shrinks, a plus that it swells.",
                    7.5,
                    textColor=style.QUIET,
                ),
            ]
        )
    ]


def _events(record: Record, room: float) -> list[Flowable]:
    rows = [
        (words.day(event.at_utc), event_text.event(event, record.system, zone=words.zone()), event.by or "-")
        for event in sorted(record.events, key=lambda each: each.at_utc)
        if event.counts
    ]
    if not rows:
        rows = [(words.day(record.timber.arrived_utc), "set on its bearers", "-")]
    return [
        page.heading("History"),
        page.table(("day", "what", "by"), rows, (room * 0.2, room * 0.6, room * 0.2)),
    ]


def _cautions() -> list[Flowable]:
    return [
        KeepTogether([page.heading("Cautions"), *[page.text(each, 8, spaceAfter=2) for each in CAUTIONS]])
    ]
