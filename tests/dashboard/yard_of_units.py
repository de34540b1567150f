"""A small yard whose evaluations are real, and all that a person can read of it, in one system of units."""

from __future__ import annotations

import html
import json
import re
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from baulk.dashboard.printing import labels
from baulk.ingest import operations
from baulk.ingest import shop as shops
from baulk.ingest.evaluation import gather
from baulk.ingest.monitoring import notices
from baulk.ingest.wire.message import RawMessage
from baulk.models.plan.buying.parts import Part
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import Reading, Series
from baulk.models.section import Face
from baulk.models.timber import Event, EventKind, Place

NOW = datetime.now(UTC).replace(microsecond=0)
DAYS = 200
ARRIVED = NOW - timedelta(days=DAYS)
SERIES = "timber/FER-01/pin-76/b/moisture"

# a number with a unit of the other system behind it; "in" is a word too, so what follows it decides
INCH = re.compile(
    r"\d\s*(?:[\"\u2033]|ft\b|feet\b|foot\b|lbs?\b|oz\b|inch(?:es)?\b|cu(?:bic)? f|sq ft|gal|\u00b0F|degF)"
    r"|\d in\b(?! (?:the|a|an|this|that|each|every|one|all|of|ten|twenty|\d+|FER|shed|attic|quarantine)\b)"
    r"|\b(?:inches|pounds|Fahrenheit|BTU)\b|[,(] ?in\b\)?$|\bin\)"
)
METRIC = re.compile(
    r"\d\s*(?:mm|cm|m|m2|m3|kg|g|\u00b0C|degC)\b|\b(?:millimetres?|kilograms?|Celsius)\b"
    r"|, (?:mm|kg)\b|\((?:mm|kg)\)"
)
FOREIGN = {"inch": METRIC, "metric": INCH}
ALLOWED = (
    "inches, pounds", "millimetres, kilograms",  # the choice between the systems itself
    "pounds taken for kilograms", "kilograms taken for pounds",  # what a scale may have been set to
    *(each.title for each in labels.SHEETS.values()),  # sold by these words, in the units of their country
)  # fmt: skip
HIDDEN = {"id", "form_id", "key", "icon", "url", "page_script_hash", "url_pathname"}


def reading(series: Series, value: float, when: datetime, *flags: str, source: str = "mqtt") -> Reading:
    return Reading(
        series=series, value=float(value), taken_utc=when, arrived_utc=when, source=source, flags=flags
    )


def air(place: str, temp_c: float, rh: float) -> Iterator[Reading]:
    """Half a year of air; its last days stand still, as a stuck sensor's do."""
    for hour in range(0, (DAYS - 3) * 24, 6):
        when = ARRIVED + timedelta(hours=hour)
        for quantity, value in ((Quantity.TEMP, temp_c), (Quantity.HUMIDITY, rh)):
            series = Series(owner=Owner.AIR, name=place, quantity=quantity)
            yield reading(series, value + 3 * np.sin(hour / 40), when)
    stuck = Series(owner=Owner.AIR, name=place, quantity=Quantity.TEMP)
    for minutes in range(0, 48 * 60, 60):
        yield reading(stuck, temp_c, NOW - timedelta(minutes=minutes + 5))


def wet(tag: str) -> Iterator[Reading]:
    """A timber that dries as it should, read by hand and by a sensor."""
    rng = np.random.default_rng(3)
    weight = Series(owner=Owner.TIMBER, name=tag, quantity=Quantity.WEIGHT)
    for i, day in enumerate(np.linspace(4, DAYS - 4, 9)):
        when = ARRIVED + timedelta(days=float(day))
        dry = float(np.exp(-day / 500))
        yield reading(weight, 62 * (1 + 0.6 * dry) * (1 + rng.normal(0, 0.002)), when, source="hand")
        for depth, mc in ((32.0, 26 - i), (76.0, 33 - i / 2)):
            pin = Series(
                owner=Owner.TIMBER, name=tag, quantity=Quantity.MOISTURE, depth_mm=depth, face=Face.B
            )
            flags = ("end-610",) if i % 2 else ()
            yield reading(pin, mc + rng.normal(0, 0.4), when, *flags, source="hand")
    wood = Series(owner=Owner.TIMBER, name=tag, quantity=Quantity.WOOD_TEMP)
    yield reading(wood, 17.0, NOW - timedelta(days=9), "sensor-S7")


def contradicted(tag: str) -> Iterator[Reading]:
    """Weights of wood that hardly dries beside pins that read dry wood."""
    rng = np.random.default_rng(3)
    weight = Series(owner=Owner.TIMBER, name=tag, quantity=Quantity.WEIGHT)
    pin = Series(owner=Owner.TIMBER, name=tag, quantity=Quantity.MOISTURE, depth_mm=45, face=Face.B)
    for i, day in enumerate(np.linspace(4, DAYS - 4, 7)):
        when = ARRIVED + timedelta(days=float(day))
        yield reading(weight, 90 * (1.75 - 0.03 * i) * (1 + rng.normal(0, 0.002)), when)
        yield reading(pin, 14 + rng.normal(0, 0.6), when)


EVENTS: tuple[tuple[EventKind, dict[str, Any]], ...] = (
    (EventKind.MOVED, {"from": "shed", "to": "attic"}),
    (EventKind.MOVED, {"from": "attic", "to": "shed"}),
    (EventKind.TURNED, {"up": "b"}),
    (EventKind.CUT, {"length_mm": 2400.0, "weight_before_kg": 101.0, "weight_after_kg": 99.0}),
    (EventKind.TARED, {"tare_kg": 6.0}),
    (EventKind.OVEN_DRIED, {"mc_pct": 58.0, "from_end_mm": 500.0}),
    (EventKind.SENSOR_ATTACHED, {"sensor": "S7", "depth_mm": 32.0, "face": "b"}),
)


def yard(folder, invented):
    """Fill a shop folder: two timbers worked out, one not, notices open, places and parts drawn."""
    with shops.open(folder) as shop:
        for tag, green in (("FER-01", 75.0), ("FER-02", 75.0), ("FER-03", None)):
            operations.add_timber(
                shop, invented.piece(tag, arrived_utc=ARRIVED, green_mc_pct=green), sure=True
            )
        for place in ("shed", "attic"):
            shop.register.save_place(
                Place(name=place, kind="room", x_m=0, y_m=0, width_m=5, depth_m=4, volume_m3=90.0)
            )
        shop.register.save_part(
            Part(name="Post", width_mm=90, depth_mm=90, length_mm=900, use_class="frame-outdoors", count=2)
        )
        shop.store.append(
            [*air("shed", 14.0, 68.0), *air("attic", 18.0, 60.0), *wet("FER-01"), *contradicted("FER-02")]
        )
        for n, (kind, detail) in enumerate(EVENTS):
            at = NOW - timedelta(days=30 - n)
            operations.add_event(shop, Event(tag="FER-01", kind=kind, at_utc=at, noted_utc=at, detail=detail))
        shop.store.quarantine(
            RawMessage(topic="probe/S9", payload=b"{}", arrived_utc=NOW, retained=False), "not understood"
        )
        for tag in ("FER-01", "FER-02"):
            gather.evaluate(tag, shop, NOW)
        made, payload = shop.store.evaluation("FER-01")
        content = json.loads(payload)
        content["calibration"]["suspected"] = [SERIES]
        shop.store.save_evaluation("FER-01", made, json.dumps(content).encode())
        notices.look(shop, NOW)
    return folder


def told(found: Any) -> Iterator[str]:
    """Give every text of an element, of whichever kind: label, help, placeholder, options, body, chart."""
    for field, value in found.ListFields():
        if field.name in HIDDEN:
            continue
        many = value if field.is_repeated else (value,)
        if field.message_type is not None:
            if not field.message_type.GetOptions().map_entry:
                for each in many:
                    yield from told(each)
        elif field.type == field.TYPE_STRING:
            for each in many:
                yield from _parts(str(each))


def _parts(text: str) -> Iterator[str]:
    """Give the texts of a chart's description, and any other text as it is, without its marks."""
    if text.startswith("{"):
        try:
            yield from strings(json.loads(text))
        except ValueError:
            pass
        else:
            return
    bare = re.sub(r"<style.*?</style>|<svg.*?</svg>", " ", text, flags=re.DOTALL)
    for line in re.sub(r"<[^>]*>", "\n", bare).split("\n"):
        if line.strip():
            yield html.unescape(line.strip())


def strings(found: Any) -> Iterator[str]:
    """Give every text in JSON that is a value, not the name of one."""
    if isinstance(found, dict):
        for name, each in found.items():
            if name not in {"$schema", "config", "usermeta"}:
                yield from strings(each)
    elif isinstance(found, list):
        for each in found:
            yield from strings(each)
    elif isinstance(found, str):
        yield found


def on_page(app: Any) -> list[str]:
    """Return every text that a page shows."""
    protos = (getattr(node, "proto", None) for node in app._tree)
    return [line for proto in protos if hasattr(proto, "ListFields") for line in told(proto)]


def foreign(lines: Iterable[str], system: str) -> list[str]:
    """Return the lines that speak in the other system, but for what speaks of both on purpose."""
    found = []
    for line in lines:
        bare = line
        for each in ALLOWED:
            bare = bare.replace(each, "")
        if FOREIGN[system].search(bare):
            found.append(line)
    return found
