"""What a person says of a room on its page: its size and costs, kept with the shop, and its air by hand."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime

import streamlit as st

from baulk.dashboard import words
from baulk.dashboard.queries.shop_facts import ShopFacts
from baulk.dashboard.sections import entry, layout, press, saved
from baulk.dashboard.server.shop_access import ask
from baulk.ingest import corrections, hand_readings, plausibility
from baulk.ingest.planning import kept_air
from baulk.ingest.planning.kept_air import Wish
from baulk.ingest.shop import Shop
from baulk.models import units
from baulk.models.errors import BaulkError, OutOfRange
from baulk.models.plausible import Level
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import Series
from baulk.models.timber import Place
from baulk.models.units import System

M3_FT3 = 0.3048**3


def volume_m3(text: str, system: System) -> float | None:
    """Read a volume: "300 m3", "10000 cu ft", or a bare number in the shop's own unit; nothing for nothing.

    Parameters
    ----------
    text : str
        As typed.
    system : "inch" or "metric"
        Cubic feet or cubic metres for a bare number.

    Returns
    -------
    float or None
        The volume. [m3]

    Raises
    ------
    OutOfRange
        If it is not a volume.
    """
    plain = text.strip().lower().replace("³", "3").replace(",", "")
    if not plain:
        return None
    found = re.fullmatch(r"(\d+\.?\d*)\s*(m3|m\^3|cu ?m|ft3|ft\^3|cu ?ft|cubic feet|cubic metres)?", plain)
    if found is None:
        raise OutOfRange("the room's volume", f"looks like '300 m3' or '10000 cu ft', not {text!r}")
    unit = found[2] or ("ft3" if system == "inch" else "m3")
    return float(found[1]) * (M3_FT3 if "f" in unit else 1.0)


def shown_volume(volume: float | None, system: System) -> str:
    """Write a volume as it can be typed, nothing for an unknown one."""
    if volume is None:
        return ""
    return f"{volume / M3_FT3:.0f} cu ft" if system == "inch" else f"{volume:.0f} m3"


def number(text: str, what: str) -> float | None:
    """Read a number that may be left out; what it is called stands in the sentence of a refusal."""
    plain = text.strip().removesuffix("%").strip()
    try:
        return float(plain) if plain else None
    except ValueError as err:
        raise OutOfRange(what, f"is a number, not {text!r}") from err


def band(text: str) -> tuple[float, float] | None:
    """Read a band of moisture contents, "8, 12"; nothing for nothing."""
    if not text.strip():
        return None
    parts = re.split(r"\s*(?:,|to|-)\s*", text.strip().removesuffix("%").strip())
    if len(parts) != 2:
        raise OutOfRange("the band of glued work", f"looks like '8, 12', not {text!r}")
    low, high = (number(each, "a moisture content") or 0.0 for each in parts)
    return low, high


def form(place: str, facts: ShopFacts, then: Callable[[], object]) -> None:
    """Show what is kept of a room, to be changed; `then` works out what follows from a change."""
    known, wish = ask(lambda s: (_place(s, place), kept_air.wish(s, place)))
    inch, shown = facts.system == "inch", shown_volume(known.volume_m3, facts.system)
    held = "" if wish.held_c is None else units.show_temperature(wish.held_c, facts.temperature)
    with st.form(f"air-room-{place}", border=False):
        first, second = st.columns(2)
        size = first.text_input("Air in the room", shown, key="plan_volume",
                                placeholder="10000 cu ft" if inch else "300 m3")  # fmt: skip
        often = second.text_input("Air changes an hour", _shown(known.air_changes_per_h), key="plan_changes",
                                  placeholder="learned where the air outside is measured too")  # fmt: skip
        price = first.text_input("Price of a kWh", _shown(wish.price_kwh), key="plan_price",
                                 placeholder="0.25")  # fmt: skip
        people = second.text_input("Hours of work in it a day", _shown(wish.people_h_day or None),
                                   key="plan_people", placeholder="0")  # fmt: skip
        warm = first.text_input("Temperature held", held, key="plan_temp",
                                placeholder=f"as the season; or {'60F' if inch else '16C'}")  # fmt: skip
        tolerated = "" if wish.finished_pct is None else "{:g}, {:g}".format(*wish.finished_pct)
        glued = second.text_input("Glued work tolerates, % MC", tolerated, key="plan_band",
                                  placeholder="8, 12")  # fmt: skip
        leaving = st.checkbox("Squared pieces leave the room", wish.leaving, key="plan_leaving")
        st.caption("Everything may stay empty; the plan says what it then does not know.")
        key = f"air-room-save-{place}"
        press.submit("Save and calculate", key=key, type="primary", width="stretch")

    def save() -> bool:
        new = Wish(
            held_c=units.temperature_c(warm, bare=facts.temperature) if warm.strip() else None,
            finished_pct=band(glued),
            people_h_day=number(people, "the hours of work") or 0.0,
            price_kwh=number(price, "the price"),
            leaving=leaving,
        )
        volume, rate = volume_m3(size, facts.system), number(often, "the air changes")
        replace(new.asked(place), volume_m3=volume, air_changes_per_h=rate)  # refuses what can't be

        def keep(s: Shop) -> None:
            kept_air.keep_wish(s, place, new)
            s.register.save_place(replace(_place(s, place), volume_m3=volume, air_changes_per_h=rate))

        ask(keep)
        then()
        return True

    with layout.errors_as_sentences():
        if press.work(key, "Working the plan out with it", save):
            saved.tell(f"The room of {place} is saved.", lambda: _back(place, known, wish))
            st.rerun()


def _back(place: str, known: Place, wish: Wish) -> str:
    def back(s: Shop) -> None:
        kept_air.keep_wish(s, place, wish)
        s.register.save_place(known)

    ask(back)
    return f"The room of {place} is as it was before."


def _place(shop: Shop, name: str) -> Place:
    return next((each for each in shop.register.places() if each.name == name), Place(name=name))


def _shown(value: float | None) -> str:
    return "" if value is None else f"{value:g}"


def by_hand(places: list[str], place: str | None, facts: ShopFacts) -> None:
    """Take the air of a place as a person reads it off a thermometer and a hygrometer."""
    box = entry.Entry("air-hand")
    with box.form():
        where: str | None
        if places:
            at = places.index(place) if place in places else 0
            where = st.selectbox("Place", places, index=at, key=box.key("place"))
        else:
            where = st.text_input("Place", "shed", key=box.key("place")).strip()
        left, right = st.columns(2)
        warm = left.text_input(f"Temperature, °{facts.temperature}", key=box.key("temp"),
                               placeholder="60" if facts.temperature == "F" else "16")  # fmt: skip
        damp = right.text_input("Humidity, % RH", key=box.key("rh"), placeholder="68")
        pressed = box.buttons()
    if not pressed:
        return
    now = layout.now().replace(microsecond=0)
    try:
        if not where:
            raise OutOfRange("the place", "is missing")
        if not warm.strip():
            raise OutOfRange("the temperature", "is missing")
        rh = number(damp, "the humidity")
        if rh is None:
            raise OutOfRange("the humidity", "is missing; both together say what the air asks of wood")
        read = {Quantity.TEMP: units.temperature_c(warm, bare=facts.temperature), Quantity.HUMIDITY: rh}

        def act() -> entry.Saving:
            ask(lambda s: keep_air(s, where, read, now, new_place=not places))
            warm_told = units.show_temperature(read[Quantity.TEMP], facts.temperature)
            return f"{where}: {warm_told} and {rh:.0f} % RH saved.", lambda: _undo_air(where, read, now)

        doubts, typed = ask(lambda s: against(s, where, read, now)), (where, warm, damp)
        if doubts and not box.is_sure(typed):
            box.doubt(typed, doubts)
        else:
            box.keep(act)
    except BaulkError as err:
        box.refuse(layout.sentence(err), told=True)


def keep_air(shop: Shop, place: str, read: dict[Quantity, float], now: datetime, *, new_place: bool) -> None:
    """Store both quantities of a place's air, or, where one can't be, neither."""
    against(shop, place, read, now)  # refused before anything is stored
    for each, value in read.items():
        series = Series(owner=Owner.AIR, name=place, quantity=each)
        hand_readings.add(shop, series, value, now_utc=now, sure=True, new_place=new_place)


def against(shop: Shop, place: str, read: dict[Quantity, float], now: datetime) -> str:
    """Say what speaks against the air of a place as it was typed, or nothing; what can't be is refused."""
    said = []
    for each, value in read.items():
        series = Series(owner=Owner.AIR, name=place, quantity=each)
        found = plausibility.of_reading(shop, hand_readings.reading(shop, series, value, now_utc=now))
        if any(finding.level is Level.IMPOSSIBLE for finding in found):
            raise OutOfRange("this can't be:", plausibility.words(shop, found))
        said.append(plausibility.words(shop, found))
    return " ".join(filter(None, said))


def _undo_air(place: str, read: dict[Quantity, float], taken: datetime) -> str:
    def undo(s: Shop) -> None:
        for each in s.store.readings(Owner.AIR, place, taken, taken):
            if each.source == "hand" and each.series.quantity in read:
                corrections.take_back(s, each, by="", note="undone", now_utc=layout.now())

    ask(undo)
    return f"The air of {words.md(place)} typed just now is taken back."
