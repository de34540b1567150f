"""The printed record and the calendar file, read back by programs that know nothing of ours."""

from __future__ import annotations

import dataclasses
import json
from datetime import UTC, datetime, timedelta

import icalendar
import pypdfium2
import pytest
import zxingcpp

from baulk.dashboard.printing import labels, record, record_data
from baulk.dashboard.printing.style import PaperError, printable
from baulk.dashboard.server import calendar_file
from baulk.ingest import operations
from baulk.ingest import shop as shops
from baulk.ingest.correction_notes import Correction
from baulk.ingest.evaluation.document import FittedReading
from baulk.ingest.store.notes import HandMeter
from baulk.models.reason import Reason
from baulk.models.timber import Event, EventKind


def pages(pdf):
    document = pypdfium2.PdfDocument(pdf)
    text = [page.get_textpage().get_text_range() for page in document]
    pictures = [page.render(scale=2).to_pil() for page in document]
    document.close()
    return text, pictures


def found(folder, tag):
    with shops.open(folder) as shop:
        return record_data.record(shop, tag, datetime.now(UTC))


def test_the_record_names_the_tags_that_it_had_before(shop_folder):
    with shops.open(shop_folder) as shop:
        operations.edit_timber(shop, "FER-01", tag="FER-60", now_utc=datetime.now(UTC))
    text, _ = pages(record.pdf(found(shop_folder, "FER-01")))
    assert "Drying record: FER-60" in text[0]
    assert "Formerly FER-01" in text[0]


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_the_record_tells_identity_verdict_movement_history_readings_and_cautions(shop_folder, paper):
    text, pictures = pages(record.pdf(found(shop_folder, "FER-01"), paper=paper))
    whole = " ".join(" ".join(text).split())
    for part in (
        "Drying record: FER-01",
        "white oak (Quercus alba)",
        "8 x 7 3/4 in",
        "8 ft long",
        "Leave it: squared now",
        "face a would still shrink",
        "Core: 48 % (44 to 52) MC",
        "Movement still to come",
        "Allowed for this use: 0.10 in",
        "pins 1 1/4 in deep, face b",
        "lift it with enough people",
        "licensed",
        "mould",
        f"page {len(text)}",
    ):
        assert part in whole, part
    assert [code.text for code in zxingcpp.read_barcodes(pictures[0])] == [
        labels.address("http://127.0.0.1:8501", "FER-01")
    ]


def test_the_section_on_paper_is_dark_where_it_is_wet_and_pale_where_it_is_dry(shop_folder):
    one = dataclasses.replace(found(shop_folder, "FER-01"), readings=())
    _, pictures = pages(record.pdf(one))
    seen = {rgb for picture in pictures for _, rgb in picture.convert("RGB").getcolors(1 << 24)}
    wet = [p for p in seen if p[2] > p[0] + 40 and sum(p) < 330]  # deep water blue
    dry = [p for p in seen if p[0] > p[2] + 40 and sum(p) > 480]  # straw
    assert wet
    assert dry


def test_a_timber_without_a_verdict_gets_a_record_that_says_so(shop_folder):
    text, _ = pages(record.pdf(found(shop_folder, "FER-05")))
    assert "there is no verdict yet" in " ".join(" ".join(text).split())


def test_events_stand_in_the_record_in_order_and_undone_ones_do_not(shop_folder):
    now = datetime.now(UTC)
    events = (
        Event(
            tag="FER-01",
            kind=EventKind.CUT,
            at_utc=now - timedelta(days=3),
            detail={"length_mm": 2133.6, "weight_after_kg": 70.0},
            by="Ida",
        ),
        Event(
            tag="FER-01",
            kind=EventKind.MOVED,
            at_utc=now - timedelta(days=9),
            detail={"from": "yard", "to": "shed"},
        ),
        Event(
            tag="FER-01",
            kind=EventKind.TURNED,
            at_utc=now - timedelta(days=5),
            detail={"up": "c"},
            undone_utc=now,
        ),
    )
    one = dataclasses.replace(found(shop_folder, "FER-01"), events=events)
    whole = " ".join(" ".join(pages(record.pdf(one))[0]).split())
    assert whole.index("moved from yard to shed") < whole.index("cut to 7 ft, 154 lb after")
    assert "turned" not in whole
    assert "Ida" in whole


def test_every_reading_by_hand_is_printed_and_sensors_are_thinned(shop_folder):
    one = found(shop_folder, "FER-01")
    many = [
        dataclasses.replace(
            one.readings[0], taken_utc=one.readings[0].taken_utc - timedelta(hours=n), value=20 + n % 7
        )
        for n in range(5000)
    ]
    hand = [
        dataclasses.replace(
            one.readings[1],
            source="hand",
            taken_utc=one.readings[1].taken_utc - timedelta(days=n),
            value=31.5,
        )
        for n in range(40)
    ]
    text, _ = pages(record.pdf(dataclasses.replace(one, readings=[*many, *hand])))
    assert "".join(text).count("31.5 %") == 40
    assert "of 5040: every one taken by hand" in " ".join(" ".join(text).split())
    assert len(text) <= 6


def test_signs_that_the_face_lacks_never_stop_a_record(shop_folder):
    one = dataclasses.replace(found(shop_folder, "FER-01"), shop="Werft Łódź & 船 <b>")
    text, _ = pages(record.pdf(one))
    assert "& ? <b>" in text[0]
    assert printable("naïve — ½") == "naïve — ½"


def test_an_unknown_paper_is_refused(shop_folder):
    with pytest.raises(PaperError, match="known: a4, letter"):
        record.pdf(found(shop_folder, "FER-01"), paper="a5")


def test_the_command_writes_the_record(baulk, shop_folder, tmp_path):
    out = tmp_path / "one.pdf"
    done = baulk("record", "fer-01", "-o", str(out), "--shop", str(shop_folder), "--json")
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["tag"] == "FER-01"
    assert out.read_bytes().startswith(b"%PDF")


def test_the_calendar_holds_each_expected_day_once_and_the_same_entry_again_later(shop_folder):
    every = [found(shop_folder, f"FER-0{n}") for n in range(1, 6)]
    made = icalendar.Calendar.from_ical(calendar_file.calendar(every, shop="Yard", slug="yard"))
    entries = {str(e["uid"]): e for e in made.walk("VEVENT")}
    assert set(entries) == {
        "FER-01-square@yard.baulk",
        "FER-01-rough-out@yard.baulk",
        "FER-02-square@yard.baulk",
        "FER-02-rough-out@yard.baulk",
        "FER-03-square@yard.baulk",
        "FER-03-rough-out@yard.baulk",
        "FER-04-square@yard.baulk",
        "FER-04-rough-out@yard.baulk",
    }
    one = entries["FER-01-square@yard.baulk"]
    wanted = every[0].answer.verdict.dates["square"].astimezone().date()
    assert one.decoded("dtstart") == wanted
    assert one.decoded("dtend") == wanted + timedelta(days=1)
    assert "Next reading" in one["description"]
    later = dataclasses.replace(
        every[0],
        answer=every[0].answer.model_copy(update={"made_utc": every[0].answer.made_utc + timedelta(days=1)}),
    )
    again = icalendar.Calendar.from_ical(calendar_file.calendar([later], shop="Yard", slug="yard"))
    moved = next(e for e in again.walk("VEVENT") if e["uid"] == one["uid"])
    assert int(moved["sequence"]) > int(one["sequence"])


def test_the_calendar_keeps_to_the_standards_line_form(shop_folder):
    ics = calendar_file.calendar([found(shop_folder, "FER-01")], shop="Yard", slug="yard")
    lines = ics.split(b"\r\n")
    assert b"\n" not in ics.replace(b"\r\n", b"")
    assert max(map(len, lines)) <= 75  # RFC 5545, 3.1
    assert lines[0] == b"BEGIN:VCALENDAR"


def test_the_command_writes_the_calendar(baulk, shop_folder, tmp_path):
    out = tmp_path / "dates.ics"
    done = baulk("calendar", "-o", str(out), "--shop", str(shop_folder))
    assert done.returncode == 0, done.stderr
    assert "8 expected dates of 5 timbers" in done.stdout
    assert out.read_bytes().count(b"BEGIN:VEVENT") == 8


SIZES = [
    {"posix_s": 1.78e9, "what": "width", "face": "", "measured_mm": 198.4, "unlike": True,
     "foreseen_mm": {"median": 200.1, "low": 199.2, "high": 201.4}},
    {"posix_s": 1.77e9, "what": "depth", "face": "b", "measured_mm": 199.0, "unlike": False,
     "foreseen_mm": {"median": 198.8, "low": 197.9, "high": 199.9}},
]  # fmt: skip


def test_the_record_shows_what_was_measured_beside_what_was_foreseen(shop_folder):
    now = datetime.now(UTC)
    with shops.open(shop_folder) as shop:
        made_utc, payload = shop.store.evaluation("FER-01")
        body = json.loads(payload)
        body["calibration"]["sizes"] = SIZES
        shop.store.save_evaluation("FER-01", made_utc + timedelta(seconds=1), json.dumps(body).encode())
        for days, wide in ((8, 0.4), (2, 3.2)):
            detail = {"face": "b", "width_mm": wide, "depth_mm": 25.4}
            at = now - timedelta(days=days)
            operations.add_event(shop, Event(tag="FER-01", kind=EventKind.CHECKED, at_utc=at, detail=detail))
        shop.store.save_evaluation("FER-01", made_utc + timedelta(seconds=2), json.dumps(body).encode())
    text, _ = pages(record.pdf(found(shop_folder, "FER-01")))
    whole = " ".join(" ".join(text).split())
    for part in (
        "Measured beside foreseen",
        "width 7.81 in (not as foreseen) 7.88 in (7.84 to 7.93)",
        "depth along face b 7.83 in 7.83 in (7.79 to 7.87)",
        "Checks, shakes and splits",
        "check, face b",
        "0.13 in 1 in -",
    ):
        assert part in whole, part


def test_a_surveyor_finds_source_stages_instruments_people_corrections_and_a_line_to_sign(shop_folder):
    now = datetime.now(UTC)

    def event(kind, days, by, **detail):
        return Event(tag="FER-01", kind=kind, at_utc=now - timedelta(days=days), detail=detail, by=by)

    one = found(shop_folder, "FER-01")
    was = dataclasses.replace(one.readings[0], source="hand")
    now_is = dataclasses.replace(was, value=was.value + 1)
    done = Correction(number=1, was=was, now=now_is, by="Ida", note="misread", at_utc=now)
    events = (
        event(EventKind.SOURCED, 90, "Odd", supplier="the mill at the weir", felled="2026-01-14"),
        event(EventKind.SOURCED, 80, "Odd", felled="2026-01-15", part="stem"),
        event(EventKind.SENSOR_ATTACHED, 60, "Ida", sensor="S7", depth_mm=45.0, face="b"),
        event(EventKind.FITTED, 9, "Ida"),
        dataclasses.replace(event(EventKind.LAUNCHED, 1, "Odd"), undone_utc=now),
    )
    one = dataclasses.replace(
        one,
        events=events,
        corrections=(done,),
        hand_meter=HandMeter(corrects_temperature=True, answered_utc=now, make="Reedmouth M2", number="17"),
        lying=(Reason(code="keeping.turn", values={"days": 70}),),
    )
    text, _ = pages(record.pdf(one))
    whole = " ".join(" ".join(text).split())
    for part in (
        "supplier the mill at the weir",
        "felled 15 Jan 2026",  # named later
        "part stem",
        "Stages stage day by fitted",
        "Readings put right",
        "Ida, misread",
        "Reedmouth M2, number 17",
        "corrects for the wood's temperature by itself",
        "Sensor S7 attached, 1 3/4 in deep, face b",
        "Ida: 2 entries of the history, 1 reading put right. • Odd: 2 entries of the history.",
        "It has lain 70 days on the same side",
        "as read corrected how",
        "name signature date",
    ):
        assert part in whole, part
    assert "14 Jan 2026" not in whole.split("Verdict of")[0]
    launched = whole[whole.index("Stages stage") :].split("launched")[1]
    assert launched.startswith(" retired")  # taken back: blank


def test_beside_each_reading_stands_the_moisture_that_the_fit_took_it_for(shop_folder):
    one = found(shop_folder, "FER-01")
    read = one.readings[0]
    at_s = read.taken_utc.timestamp() + 0.2
    values = {"measured_pct": 33.25, "model_pct": 30.0, "sd_pct": 1.0}
    fitted = FittedReading(posix_s=at_s, series=str(read.series), **values)
    answer = one.answer.model_copy(update={"readings": (fitted,)})
    whole = " ".join(" ".join(pages(record.pdf(dataclasses.replace(one, answer=answer)))[0]).split())
    assert whole.count("33.2 %") == 1
    aside = answer.model_copy(update={"readings": (fitted.model_copy(update={"left_out": "a wet face"}),)})
    whole = " ".join(" ".join(pages(record.pdf(dataclasses.replace(one, answer=aside)))[0]).split())
    assert whole.count("left out") == 1
    assert "33.2 %" not in whole
