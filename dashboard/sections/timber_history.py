"""What happened to a timber: its events to read, to add and to take back, and its photographs."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from time import monotonic
from typing import Final

import streamlit as st

from baulk.dashboard import typed, words
from baulk.dashboard.queries import shop_facts
from baulk.dashboard.sections import layout, photo_measure
from baulk.dashboard.server import preferences
from baulk.dashboard.server.shop_access import ask
from baulk.ingest import operations, photos
from baulk.ingest.evaluation import still_fits
from baulk.ingest.sensors import Settled
from baulk.models import formatting, text, units
from baulk.models.errors import BaulkError, OutOfRange
from baulk.models.reason import Reason
from baulk.models.text import events as event_text
from baulk.models.text import sentence
from baulk.models.timber import CHANGES_SIZE, COATS, OPENINGS, Event, EventKind, Timber, Value

Details = Callable[[shop_facts.TimberFacts, shop_facts.ShopFacts], dict[str, Value]]
LATEST: Final = 12
_TURN_S: Final = 1.5  # that a page waits for what lies in quarantine


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """How one kind of event is offered: its word, its fields, and a caution where one belongs."""

    word: str
    fields: Details
    caution: str = ""


def _nothing(found: shop_facts.TimberFacts, facts: shop_facts.ShopFacts) -> dict[str, Value]:  # noqa: ARG001
    return {}


def _moved(found: shop_facts.TimberFacts, facts: shop_facts.ShopFacts) -> dict[str, Value]:
    known = shop_facts.places()
    place = str(st.selectbox("To", known, key="event_to", accept_new_options=True) or "")
    if place and known and place not in known:
        near = text.sentence(Reason(code="place.new", values={"place": place, "known": known}), facts.system)
        if not st.checkbox(words.md(near), key="event_new_place"):
            return {}
    return {"from": found.timber.place, "to": place}


def _attached(found: shop_facts.TimberFacts, facts: shop_facts.ShopFacts) -> dict[str, Value]:
    one, two, three = st.columns(3)
    sensor = one.text_input("Sensor", key="event_sensor", placeholder="S7").strip()
    deep = two.text_input(
        "Depth of its pin tips",
        key="event_pin",
        placeholder="1 3/4 in" if facts.system == "inch" else "45 mm",
    )
    face = three.selectbox("Face", ["any", *"abcd"], key="event_pin_face")
    if not sensor:
        st.page_link(
            "views/health.py", label="A new one: listen for it", query_params={"attach": found.timber.tag}
        )
        return {}
    if (on := shop_facts.sensor_on(sensor)) not in {None, found.timber.tag} and not st.checkbox(
        f"{words.md(sensor)} is on {words.md(str(on))}: take it off there", key="event_take_off"
    ):
        return {}
    held: dict[str, Value] = {"sensor": sensor}
    if deep.strip():
        held["depth_mm"] = units.length_mm(deep, bare=units.default_length_unit(facts.system))
    if face != "any":
        held["face"] = face
    return held


def _turned(found: shop_facts.TimberFacts, facts: shop_facts.ShopFacts) -> dict[str, Value]:  # noqa: ARG001
    return {"up": st.selectbox("Face that is up now", list("abcd"), key="event_up")}


def _faces(found: shop_facts.TimberFacts, facts: shop_facts.ShopFacts) -> dict[str, Value]:  # noqa: ARG001
    return {"faces": "".join(sorted(st.multiselect("Faces", list("abcd"), key="event_faces")))}


def _weights(facts: shop_facts.ShopFacts) -> dict[str, Value]:
    left, right = st.columns(2)
    given = {
        "weight_before_kg": left.text_input("Weight before, if weighed", key="event_before"),
        "weight_after_kg": right.text_input("Weight after, if weighed", key="event_after"),
    }
    bare = units.default_mass_unit(facts.system)
    return {name: units.mass_kg(text, bare=bare) for name, text in given.items() if text.strip()}


def _cut(found: shop_facts.TimberFacts, facts: shop_facts.ShopFacts) -> dict[str, Value]:
    long = st.text_input(
        "Length that is left",
        key="event_length",
        placeholder=formatting.show_along(found.timber.length_mm, facts.system),
    )
    weights = _weights(facts)
    return {"length_mm": typed.along_mm(long, facts.system), **weights} if long.strip() else {}


def _planed(found: shop_facts.TimberFacts, facts: shop_facts.ShopFacts) -> dict[str, Value]:
    now = found.timber.section
    size = st.text_input(
        "Section that is left, across x deep",
        key="event_size",
        placeholder=units.show_size(now.width_mm, now.depth_mm, facts.system),
    )
    weights = _weights(facts)
    if not size.strip():
        return {}
    width, depth = units.size_mm(size, bare=units.default_length_unit(facts.system))
    return {"width_mm": width, "depth_mm": depth, **weights}


def _kerfed(found: shop_facts.TimberFacts, facts: shop_facts.ShopFacts) -> dict[str, Value]:  # noqa: ARG001
    face = st.selectbox("Sawn into face", list("abcd"), key="event_kerf_face")
    deep = st.text_input(
        "So deep", key="event_kerf_depth", placeholder="3 in" if facts.system == "inch" else "75 mm"
    )
    wide = st.text_input(
        "So wide", key="event_kerf_width", placeholder="3/16 in" if facts.system == "inch" else "5 mm"
    )
    bare = units.default_length_unit(facts.system)
    held: dict[str, Value] = {"width_mm": units.length_mm(wide, bare=bare)} if wide.strip() else {}
    return {"face": face, "depth_mm": units.length_mm(deep, bare=bare), **held} if deep.strip() else {}


def _oven_dried(found: shop_facts.TimberFacts, facts: shop_facts.ShopFacts) -> dict[str, Value]:  # noqa: ARG001
    mc = st.text_input("MC of the section, % of its oven-dry mass", key="event_mc", placeholder="62")
    end = st.text_input(
        "Cut so far from the end",
        key="event_end",
        placeholder="20 in" if facts.system == "inch" else "500 mm",
    )
    if not mc.strip():
        return {}
    held: dict[str, Value] = {"mc_pct": shop_facts.percent(mc)}
    if end.strip():
        held["from_end_mm"] = units.length_mm(end, bare=units.default_length_unit(facts.system))
    return held


def _tared(found: shop_facts.TimberFacts, facts: shop_facts.ShopFacts) -> dict[str, Value]:  # noqa: ARG001
    given = st.text_input(
        "Chains, slings and pallet weigh",
        key="event_tare",
        placeholder="13 lb" if facts.system == "inch" else "6 kg",
    )
    return (
        {"tare_kg": units.mass_kg(given, bare=units.default_mass_unit(facts.system))} if given.strip() else {}
    )


def _lengths(fields: Mapping[str, tuple[str, str]], facts: shop_facts.ShopFacts) -> dict[str, Value]:
    """Offer a field for each length, two beside each other; return those that were filled in."""
    bare = units.default_length_unit(facts.system)
    held: dict[str, Value] = {}
    columns = st.columns(2)
    for i, (name, (what, like)) in enumerate(fields.items()):
        if i and i % 2 == 0:  # a row for each two, so that a phone has them in their order
            columns = st.columns(2)
        words_in = columns[i % 2].text_input(what, key=f"event_{name}", placeholder=like)
        if words_in.strip():
            held[name] = units.length_mm(words_in, bare=bare, signed=True)
    return held


def _place(facts: shop_facts.ShopFacts) -> dict[str, Value]:
    """Offer how far from an end it was measured."""
    given = st.text_input(
        "So far from an end", key="event_from_end", placeholder="4 ft" if facts.system == "inch" else "1.2 m"
    )
    return {"from_end_mm": typed.along_mm(given, facts.system)} if given.strip() else {}


def _measured(found: shop_facts.TimberFacts, facts: shop_facts.ShopFacts) -> dict[str, Value]:  # noqa: ARG001
    small, large = ("1/4 in", "7 13/16 in") if facts.system == "inch" else ("6 mm", "198 mm")
    st.caption("Fill in what you measured; leave the rest empty.")
    held = _lengths({"width_mm": ("Width today", large), "depth_mm": ("Depth today", large)}, facts)
    along = st.selectbox(
        "Measured at", ("", *"abcd"), key="event_at_face",
        format_func=lambda face: f"along face {face}" if face else "mid-face, between the middles",
    )  # fmt: skip
    place = _place(facts)
    if {"width_mm", "depth_mm"} & held.keys():
        held |= {**({"face": along} if along else {}), **place}
    return held | _lengths(
        {
            "bow_mm": ("Bow, along its depth", small),
            "crook_mm": ("Crook, along its width", small),
            "twist_mm": ("Twist: fourth corner off the plane", small),
            "cup_mm": ("Cup across a face", small),
            "out_of_square_mm": ("Out of square, worst corner", small),
            "check_mm": ("Deepest check of any face", small),
            "wane_mm": ("Widest wane along a face", small),
        },
        facts,
    )


def _checked(found: shop_facts.TimberFacts, facts: shop_facts.ShopFacts) -> dict[str, Value]:  # noqa: ARG001
    long, thin, deep = (
        ("24 in", "1/16 in", "2 in") if facts.system == "inch" else ("600 mm", "1.5 mm", "50 mm")
    )
    left, right = st.columns(2)
    kind = left.selectbox("It is a", OPENINGS, key="event_opening")
    face = right.selectbox(
        "In face", (*"abcd", ""), key="event_check_face", format_func=lambda f: f or "an end"
    )
    name = st.text_input(
        "Which, where a face has several", key="event_check_name", help="A word of your own, such as north."
    )
    sizes = {"length_mm": ("So long", long), "width_mm": ("So wide", thin), "depth_mm": ("So deep", deep)}
    held: dict[str, Value] = {} if kind == OPENINGS[0] else {"opening": kind}
    held |= {"face": face} if face else {}
    held |= {"name": name.strip()} if name.strip() else {}
    held |= _lengths(sizes, facts) | _place(facts)
    since = st.date_input("There since, if known", None, key="event_since")
    return held | ({"since": since.isoformat()} if isinstance(since, date) else {})


def _coated(found: shop_facts.TimberFacts, facts: shop_facts.ShopFacts) -> dict[str, Value]:
    coat = st.selectbox(
        "With", COATS, key="event_coat",
        format_func={"coat": "paint or sealer", "wax": "wax", "wrap": "film"}.__getitem__,
    )  # fmt: skip
    return {**_faces(found, facts), "coat": coat}


def _sourced(found: shop_facts.TimberFacts, facts: shop_facts.ShopFacts) -> dict[str, Value]:  # noqa: ARG001
    columns = st.columns(2)
    given = {
        name: columns[n % 2].text_input(what, key=f"event_{name}", placeholder=like)
        for n, (name, (what, like)) in enumerate(SOURCE.items())
    }
    return {name: word.strip() for name, word in given.items() if word.strip()}


SOURCE: Final = {
    "supplier": ("Supplier", "the mill"),
    "log": ("Log", "12"),
    "lot": ("Lot", "spring 2026"),
    "felled": ("Felled on", "2026-01-14"),
    "grade": ("Grade", "as the mill says"),
    "cost": ("Cost", "180"),
    "part": ("Meant for", "stem"),
    "vessel": ("Vessel or frame", "the ferry"),
}
KINDS: Final[Mapping[EventKind, Kind]] = {
    EventKind.MOVED: Kind(
        word="moved",
        fields=_moved,
        caution="A green timber is heavy: a hoist or enough people, and nobody under it.",
    ),
    EventKind.TURNED: Kind(word="turned", fields=_turned, caution="Keep fingers clear when it rolls over."),
    EventKind.END_SEALED: Kind(word="ends sealed", fields=_nothing),
    EventKind.COATED: Kind(
        word="faces coated, waxed or wrapped, or that taken off (no face)",
        fields=_coated,
        caution="Under film a face stays damp: look for mould, and wear a mask if some has grown.",
    ),
    EventKind.STICKERED: Kind(word="laid on bearers, or set free (no face)", fields=_faces),
    EventKind.CUT: Kind(word="cut to length", fields=_cut),
    EventKind.PLANED: Kind(
        word="planed or sawn to a smaller section",
        fields=_planed,
        caution="Extract the dust: oak dust harms nose and lungs.",
    ),
    EventKind.KERFED: Kind(
        word="a relief kerf sawn along it, toward the heart",
        fields=_kerfed,
        caution="Wedge the kerf open as you saw: wood that closes on a blade throws it back.",
    ),
    EventKind.MEASURED: Kind(word="measured: size, bow, twist, out of square", fields=_measured),
    EventKind.CHECKED: Kind(
        word="a check, shake or split seen or measured",
        fields=_checked,
        caution="A split or a deep shake can make it unfit to carry: ask whoever grades it.",
    ),
    EventKind.OVEN_DRIED: Kind(word="a section cut and oven-dried", fields=_oven_dried),
    EventKind.TARED: Kind(word="tare of the scale set", fields=_tared),
    EventKind.SOURCED: Kind(word="where it comes from, and what for", fields=_sourced),
    EventKind.FITTED: Kind(
        word="fitted in its place",
        fields=_nothing,
        caution="Whether a piece may carry people or load is for the local code and a licensed designer.",
    ),
    EventKind.PRIMED: Kind(
        word="primed", fields=_nothing, caution="Preservatives and primers: gloves, eyes and fresh air."
    ),
    EventKind.BEDDED: Kind(word="bedded", fields=_nothing),
    EventKind.LAUNCHED: Kind(word="launched", fields=_nothing),
    EventKind.SENSOR_ATTACHED: Kind(word="a sensor put on it", fields=_attached),
}


def history(timber: Timber) -> list[Event]:
    """Return a timber's events, newest first."""
    return list(reversed(ask(lambda s: s.register.events(timber.tag))))


def show(found: shop_facts.TimberFacts, facts: shop_facts.ShopFacts, now: datetime) -> None:
    """Show history and photographs, and offer to add to them."""
    st.header("History", anchor=False)
    if told := st.session_state.pop("event_told", None):
        st.success(words.md(told))
    events = history(found.timber)
    if events:
        layout.table(
            ("day", "what", "by"),
            [(words.day(e.at_utc), event_text.event(e, facts.system), e.by or "·") for e in events[:LATEST]],
        )
    else:
        st.info("Nothing is noted yet.")
    if len(events) > LATEST:
        st.caption(f"The newest {LATEST} of {len(events)}; `baulk timber history` lists them all.")
    _add(found, facts, now)
    _undo(events, facts, now)
    _pictures(found, facts, now)


def _add(found: shop_facts.TimberFacts, facts: shop_facts.ShopFacts, now: datetime) -> None:
    with st.expander("Record an event", key="event-add"):
        kind = st.selectbox("It was", list(KINDS), format_func=lambda k: KINDS[k].word, key="event_kind")
        offered = KINDS[kind]
        try:
            detail = offered.fields(found, facts)
        except BaulkError as err:
            st.error(layout.sentence(err))
            return
        left, right = st.columns(2)
        latest = words.local(now).date()
        day = left.date_input("On", latest, max_value=latest, key="event_day")
        note = right.text_input("Remark", key="event_note")
        if offered.caution:
            st.caption(offered.caution)
        if not st.button("Save", type="primary", key="event_go"):
            return
        today = day == latest
        at = now if today else datetime.combine(day, time(12), words.local(now).tzinfo)
        with layout.errors_as_sentences():
            event = Event(
                tag=found.timber.tag, kind=kind, at_utc=at, noted_utc=now, detail=detail,
                by=preferences.chosen().name, note=note.strip(),
            )  # fmt: skip
            end = monotonic() + _TURN_S
            _, settled = ask(
                lambda s: operations.add_event(
                    s, event, move=True, new_place=True, stop=lambda: monotonic() > end
                )  # ticked above
            )
            said = f"Noted: {event_text.event(event, facts.system)}.{_later(settled)}"
            if kind in CHANGES_SIZE:
                out = ask(lambda s: still_fits.reason(s, event.tag))
                said += (
                    f" {sentence(out, facts.system, zone=words.zone())}"
                    if still_fits.little_left(out)
                    else ""
                )
            st.session_state["event_told"] = said
            st.rerun()


def _undo(events: list[Event], facts: shop_facts.ShopFacts, now: datetime) -> None:
    if not events:
        return
    with st.expander("Undo an event", key="event-undo"):
        newest = max(events, key=lambda each: each.number)
        chosen = st.selectbox(
            "Noted by mistake", events, index=events.index(newest),
            key=f"event_wrong_{newest.number}",  # another one, so that no browser keeps the choice before it
            format_func=lambda e: f"{words.day(e.at_utc)}: {event_text.event(e, facts.system)}",
        )  # fmt: skip
        st.caption("It stays in the books, marked as taken back, with your name and today's date.")
        whole = chosen.kind is EventKind.ARRIVED
        sure = not whole or st.checkbox(
            f"{words.md(chosen.tag)} was entered by mistake: take it out of the register, with all that is "
            "noted of it. Its readings wait in quarantine for its tag.",
            key="event_whole",
        )
        by = preferences.chosen().name  # asked here: the shop's own thread knows no person
        if st.button("Undo", key="event_back", disabled=not sure):
            with layout.errors_as_sentences():
                end = monotonic() + _TURN_S
                _, settled = ask(
                    lambda s: operations.undo(
                        s, chosen.number, by=by, now_utc=now, sure=True, stop=lambda: monotonic() > end
                    )
                )
                if whole:
                    st.session_state["taken_out"] = chosen.tag
                    for key in ("tag", "asked"):
                        st.session_state.pop(key, None)
                    st.query_params.clear()
                    st.rerun()
                said = f"Taken back: {event_text.event(chosen, facts.system)}.{_later(settled)}"
                st.session_state["event_told"] = said
                st.rerun()


def _later(settled: Settled) -> str:
    return "" if settled.is_done else " The listener goes on storing what waited for the sensor."


def _pictures(found: shop_facts.TimberFacts, facts: shop_facts.ShopFacts, now: datetime) -> None:
    tag = found.timber.tag
    kept = ask(lambda s: photos.of(s, tag))
    for at, path in reversed(kept[-3:]):
        st.image(str(path), caption=f"Photographed {words.clock(at)}", width=420)
    photo_measure.section(found, facts, kept)
    with st.expander("Add a photograph", key="photo-add"):
        turn, by = st.session_state.get("photo_turn", 0), preferences.chosen().name
        given = st.file_uploader(
            "Picture", ["jpg", "jpeg", "png"], key=f"photo_{tag}_{turn}", max_upload_size=photos.MOST_MB
        )
        if given is not None and st.button("Save", key="photo_go"):
            with layout.errors_as_sentences():
                if now - found.timber.arrived_utc < timedelta(0):
                    raise OutOfRange("the photograph", "is older than the timber's arrival")
                ask(lambda s: photos.keep(s, tag, given.getvalue(), now_utc=now, by=by))
                st.session_state["photo_turn"] = turn + 1
                st.rerun()
