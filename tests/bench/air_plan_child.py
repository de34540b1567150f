"""Plan invented rooms, old program or new; print the processor time of each and what the plans say.

Run as ``python air_plan_child.py TESTS TIMES``: TESTS are those of the version on the path, whose invented
room is taken. Sixteen years, a build in the room, several woods; its last line is JSON.
"""

from __future__ import annotations

import hashlib
import json
import re
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from baulk.models.air import AirSeries
from baulk.models.plan.humidity import plan, window
from baulk.models.plan.humidity.air_plan import Water

WOODS = (
    ("white oak", 203.0, 150.0, 45.0),
    ("Douglas-fir", 152.0, 110.0, 32.0),
    ("longleaf pine", 178.0, 130.0, 28.0),
    ("white oak", 178.0, 120.0, 36.0),
    ("tamarack", 152.0, 100.0, 40.0),
    ("white oak", 203.0, 150.0, 30.0),
)
YEARS = 16
# weeks gained over doing nothing: until 6b7c238 they were told of members with other draws than their own
NOT_COMPARED = re.compile(r"\w*gained\w*=Span\([^)]*\)")


def season(room, damper=0.0):
    """Inland: 2 to 22 degC, 80 to 55 % RH."""
    at_s = room.NOW_S + np.arange(0, (156 + 60) * room.WEEK_S, 6 * 3600.0)
    year = (at_s / room.DAY_S % 365.25) / 365.25 * 2 * np.pi
    return AirSeries(
        posix_s=at_s,
        temp_c=12 - 10 * np.cos(year - 0.4),
        rh_pct=np.clip(67.5 + 12.5 * np.cos(year) + damper, 5, 100),
    )


def need(room, timbers):
    """What the air of a room with some timbers, and a finished one beside them, is planned for."""
    pieces = [
        room.piece(f"V-{i}", wood, mc, mm=mm, cut=cut, build_days=365.0)
        for i, (wood, mm, cut, mc) in enumerate(WOODS[:timbers])
    ]
    kept = room.piece("RIB-9", mc=15.0, mm=150.0, cut=110.0, part="keep", use="frame-under-cover")
    asked = room.need(*pieces, kept, bands=(window.band_of(kept),))
    year = season(room)
    shed = replace(asked.room, year=year, rh_now_pct=float(year.rh_pct[0]), lag_k=np.ones(156))
    spread = np.linspace(-5.0, 5.0, YEARS)
    return replace(asked, room=shed, years=tuple(season(room, float(each)) for each in spread))


def main(tests: Path, times: int) -> None:
    """Print the least of some times for each room."""
    sys.path.insert(0, str(tests / "models"))
    import invented_room as room  # noqa: PLC0415 - of the version that is measured

    water = Water(volume_m3=300.0, exchange=room.GIVEN, outside=season(room), outside_measured=True)
    plan.plan(need(room, 1), water)  # compiles, and loads what a process loads once
    found = {}
    for timbers in (1, len(WOODS)):
        taken, said = [], ""
        for _ in range(times):
            asked = need(room, timbers)
            began = time.process_time()
            made = plan.plan(asked, water)
            taken.append(time.process_time() - began)
            said = hashlib.sha256(NOT_COMPARED.sub("", repr(made)).encode()).hexdigest()
        found[f"{timbers} timbers"] = {"processor_s": min(taken), "said": said}
    print(json.dumps(found))


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]))
