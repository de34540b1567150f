"""A shop in the middle of its work: the invented one with everything that a page can show."""

import json
from datetime import timedelta

from baulk.ingest import operations
from baulk.ingest import shop as shop_module
from baulk.ingest.monitoring import notices
from baulk.ingest.wire.message import RawMessage
from baulk.models.plan.buying.parts import Part
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import Reading, Series
from baulk.models.timber import Event, EventKind, Place

PIN = "timber/FER-01/pin-32/b/moisture"
PLACES = (
    Place(name="shed", kind="shed", x_m=0, y_m=0, width_m=8, depth_m=5, volume_m3=300, air_changes_per_h=0.5),
    Place(name="rack", kind="rack", x_m=9.5, y_m=0, width_m=4, depth_m=2),
    Place(name="river-bearers", kind="bearers", x_m=9.5, y_m=3.2, width_m=4, depth_m=1.8),
)
PARTS = (
    Part(name="stem", width_mm=150, depth_mm=150, length_mm=1800, use_class="backbone-above-water"),
    Part(name="deck beam", width_mm=75, depth_mm=100, length_mm=2200, use_class="deck", count=2),
)


def earlier(invented, days):
    """Return a forecast of some days ago, with what it said of one pin pair."""
    made = invented.NOW - timedelta(days=days)
    body = json.loads(invented.evaluation(invented.piece("FER-01"), core=52.0, made=made))
    at_s = [made.timestamp() + 28 * 86_400.0 * i for i in range(27)]
    body["forecast"]["pins"] = {
        "posix_s": at_s,
        "series": {PIN: [[30.0 + k - i / 8 for i in range(27)] for k in (-4, -2, 0, 2, 4)]},
    }
    return made, json.dumps(body).encode()


def shop(folder, invented):
    """Make the shop folder."""
    invented.shop(folder)
    now = invented.NOW
    with shop_module.open(folder) as s:
        for place in PLACES:
            s.register.save_place(place)
        for part in PARTS:
            s.register.save_part(part)
        for n in range(6, 10):
            timber = invented.piece(
                f"FER-0{n}",
                "Douglas-fir" if n == 7 else "white oak",
                place=("rack", "river-bearers")[n % 2],
                use_class="deck" if n % 2 else "backbone-immersed",
            )
            s.register.add(timber)
            s.store.append(invented.readings(timber.tag, 34.0 + n, last=now - timedelta(days=n * 6)))
            s.store.save_evaluation(timber.tag, now, invented.evaluation(timber, core=34.0 + n))
        for days in (90, 180, 300):
            s.store.keep_past("FER-01", *earlier(invented, days))
        for days, kind, detail in (
            (300, EventKind.END_SEALED, {}),
            (200, EventKind.STICKERED, {"faces": "ac"}),
            (30, EventKind.TURNED, {"up": "b"}),
        ):
            at = now - timedelta(days=days)
            operations.add_event(
                s, Event(tag="FER-01", kind=kind, at_utc=at, noted_utc=at, detail=detail, by="Ada")
            )
        s.store.append(invented.air(days=400, step_h=6, last=now - timedelta(days=20)))
        weak = Series(owner=Owner.TIMBER, name="FER-02", quantity=Quantity.BATTERY)
        s.store.append(
            Reading(series=weak, value=9.0 + i, taken_utc=at, arrived_utc=at)
            for i in range(4)
            for at in [now - timedelta(hours=6 * i + 1)]
        )
        pack = [{"n": "weight", "u": "kg", "v": 83.5, "t": now.timestamp() - 3600}]
        raw = RawMessage(
            topic=f"baulk/v1/{s.config.slug}/timber/FER-77",
            payload=json.dumps(pack).encode(),
            arrived_utc=now,
            retained=False,
        )
        s.store.quarantine(raw, "no timber FER-77", waits_for="FER-77")
        notices.look(s, now)
    return folder
