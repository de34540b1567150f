"""The only door to the program: a shop folder, filled as a shop fills it, and asked as a shop asks it.

A timber is entered in the register, air and permanent pins come as messages, hand readings one by one; then
the timber is evaluated and the stored answer read back. Nothing else of the program is looked at.
"""

from __future__ import annotations

import json
import tempfile
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from baulk.ingest import config, hand_readings, operations, pipeline
from baulk.ingest import shop as shops
from baulk.ingest.evaluation import gather
from baulk.ingest.shop import Shop
from baulk.ingest.wire.message import RawMessage
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import Series
from baulk.models.section import Face, Finished, Section
from baulk.models.timber import Timber
from honesty import climates
from honesty.climates import DAY_S
from honesty.observed import Noted
from honesty.timbers import FINISHED_MM, Piece

PLACE = "shed"
HOUR_S = 3600.0


def moment(piece, day):
    """A day after arrival as a moment; readings are taken an hour after noon."""
    return datetime.fromtimestamp(piece.arrived_s + day * DAY_S + HOUR_S, UTC)


def registered(piece, finished_mm=FINISHED_MM):
    """The timber as a person enters it."""
    return Timber(
        tag=piece.tag,
        species=piece.kind.name,
        section=Section(
            width_mm=round(piece.width_mm), depth_mm=round(piece.depth_mm),
            pith_x_mm=round(piece.pith_mm[0]), pith_y_mm=round(piece.pith_mm[1]),
        ),
        length_mm=round(piece.length_mm, -1),
        finished=Finished(width_mm=finished_mm, depth_mm=finished_mm),
        use_class=piece.use,
        place=PLACE,
        arrived_utc=datetime.fromtimestamp(piece.arrived_s, UTC),
        ends_sealed=piece.ends_sealed,
        green_mc_pct=piece.told_green_pct,
    )  # fmt: skip


@dataclass(kw_only=True)
class Yard:
    """An open shop with one timber, and how far its readings have come."""

    shop: Shop
    piece: Piece
    truth: object
    noted: list[Noted]
    reached_day: float = -1.0
    air_from: int = field(default=0)

    def until(self, day):
        """Let the readings and the air until a day arrive."""
        now = moment(self.piece, day)
        self._air(now)
        for each in self.noted:
            if self.reached_day < each.day <= day:
                self._store(each)
        self.reached_day = day

    def evaluated(self, day, *, resume=False):
        """What is stored after an evaluation at a day."""
        gather.evaluate(self.piece.tag, self.shop, moment(self.piece, day), resume=resume)
        return json.loads(self.shop.store.evaluation(self.piece.tag)[1])

    def _air(self, now):
        record = self.truth.record
        end = int(np.searchsorted(record.posix_s, now.timestamp()))
        while self.air_from < end:
            part = slice(self.air_from, min(self.air_from + 112, end))
            at = record.posix_s[part]
            pack = [
                {"n": name, "u": unit, "v": float(value), "t": float(t - at[0])}
                for t, temp, rh in zip(at, record.temp_c[part], record.rh_pct[part], strict=True)
                for name, unit, value in (
                    ("temp", "Cel", temp),
                    ("humidity", "%RH", rh),
                )
            ]
            pack[0]["bt"] = float(at[0])
            self._send(f"air/{PLACE}", pack, datetime.fromtimestamp(float(at[-1]) + 60, UTC))
            self.air_from = part.stop

    def _store(self, each):
        taken = moment(self.piece, each.day)
        if each.what == "pins" and not self.piece.meter.driven_anew:
            name = f"pin-{each.depth_mm:g}/{each.face}/moisture"
            pack = [
                {
                    "n": name,
                    "u": "/",
                    "v": round(each.value / 100, 4),
                    "t": taken.timestamp(),
                }
            ]
            self._send(f"timber/{self.piece.tag}", pack, taken)
            return
        quantity = {
            "pins": Quantity.MOISTURE,
            "weight": Quantity.WEIGHT,
            "wood": Quantity.WOOD_TEMP,
        }
        series = Series(
            owner=Owner.TIMBER,
            name=self.piece.tag,
            quantity=quantity[each.what],
            depth_mm=each.depth_mm,
            face=each.face and Face(each.face),
        )
        hand_readings.add(self.shop, series, each.value, now_utc=taken, taken_utc=taken, sure=True)

    def _send(self, tail, pack, arrived):
        topic = f"baulk/v1/{self.shop.config.slug}/{tail}"
        raw = RawMessage(topic=topic, payload=json.dumps(pack).encode(), arrived_utc=arrived)
        pipeline.handle(raw, self.shop)


@contextmanager
def yard(truth, noted, *, finished_mm=FINISHED_MM):
    """A new shop folder with this timber in it and nothing read yet; gone afterwards."""
    piece = truth.piece
    with tempfile.TemporaryDirectory(prefix="baulk-honesty-") as folder:
        where = shops.init(Path(folder) / "shop", name="Honesty", units="metric")
        temp, rh = climates.monthly(piece.climate)
        with (where / config.FILE).open("a", encoding="utf-8") as settings:
            settings.write(f"\n[climate]\ntemp_c = {temp}\nrh_pct = {rh}\n")
        with shops.open(where) as shop:
            operations.add_timber(shop, registered(piece, finished_mm), now_utc=moment(piece, 0))
            yield Yard(shop=shop, piece=piece, truth=truth, noted=noted)
