"""The simulated shed: what its sensors would have sent, as messages in the order of their days.

The hidden truth of each timber is dried by the same equations that the program uses, with factors that the
program is not told, in the same air; then it is seen through a meter that is biased and noisy, that reads
high and at random above fibre saturation, and that now and then gets it wrong. So the demo shows that the
program finds the factors back; it does not show that the equations are right. That is what tests/reference
is for.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Self

import numpy as np
import paho.mqtt.client as mqtt
from numpy.typing import NDArray
from paho.mqtt.enums import CallbackAPIVersion

from baulk.ingest.demo import weather
from baulk.ingest.demo.yard import MONTHS, PLACE, SHOP, Piece
from baulk.models import diffusion, gravimetric, sapwood, species
from baulk.models.air import AirSeries
from baulk.models.constants import DAY_S, HOUR_S
from baulk.models.drying import solver
from baulk.models.errors import BaulkError
from baulk.models.field import MoistureField
from baulk.models.section import Face

PIN_FACE = Face.B
METER_NOISE_PCT = 0.7
METER_WET_NOISE_PCT = 2.5
METER_WET_SLOPE = 0.25  # points shown for each above saturation
METER_PER_DEGREE = 0.1  # a meter without temperature correction reads this much higher a degree, from memory
_HIGHEST_PCT = 99.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """One MQTT message of the shed.

    Parameters
    ----------
    topic : str
        Where it goes.
    payload : bytes
        SenML JSON.
    """

    topic: str
    payload: bytes


class Shed:
    """Everything that the sensors of the yard have to say, from the first arrival until now and on."""

    def __init__(self, pieces: tuple[Piece, ...], now_utc: datetime, *, seed: int = 6) -> None:
        self.pieces = pieces
        self.now_utc = now_utc
        self._chance = np.random.default_rng(seed)
        start = (now_utc - timedelta(days=MONTHS * 30.5 + 2)).replace(
            hour=0, minute=0, second=0, microsecond=0
        )
        hours = int((now_utc - start).total_seconds() // HOUR_S) + 49
        self.air = weather.shed(start, hours)
        self._hidden = {each.timber.tag: self._dry(each) for each in pieces}

    def days(self) -> Iterator[tuple[float, list[Message]]]:
        """Yield day by day the end of the day, POSIX seconds, and its messages; the last day ends now."""
        now_s = self.now_utc.timestamp()
        first = float(self.air.posix_s[0])
        while first < now_s:
            last = min(first + DAY_S, now_s)
            messages = [self._air_pack(first, last)]
            for piece in self.pieces:
                records = self._timber_records(piece, first, last)
                if records:
                    messages.append(self._message(f"timber/{piece.timber.tag}", records))
            yield last, messages
            first = last

    def live(self, at_utc: datetime, *, with_pins: bool) -> list[Message]:
        """Return what the sensors say at this moment.

        Parameters
        ----------
        at_utc : datetime
            The moment, with a time zone.
        with_pins : bool
            Whether one of the timbers reports too, beside the air.

        Returns
        -------
        list of Message
            One or two messages.
        """
        at_s = at_utc.timestamp()
        messages = [self._message(f"air/{PLACE}", self._air_records(at_s))]
        if with_pins:
            piece = self.pieces[int(self._chance.integers(len(self.pieces)))]
            messages.append(self._message(f"timber/{piece.timber.tag}", self._pin_records(piece, at_s)))
        return messages

    def truth(self, tag: str) -> MoistureField:
        """Return the hidden field of a timber as it is now; for tests of what the program found.

        Parameters
        ----------
        tag : str
            The timber.

        Returns
        -------
        MoistureField
            Moisture over the section. [%]
        """
        return self._at(tag, self.now_utc.timestamp())

    def _dry(self, piece: Piece) -> tuple[NDArray[np.float64], tuple[MoistureField, ...]]:
        timber, truth = piece.timber, piece.truth
        start_s = timber.arrived_utc.timestamp()
        until_s = float(self.air.posix_s[-1])
        at_s = np.append(np.arange(start_s, until_s, DAY_S), until_s)
        after = self.air.posix_s >= start_s - DAY_S
        air = AirSeries(
            posix_s=self.air.posix_s[after], temp_c=self.air.temp_c[after], rh_pct=self.air.rh_pct[after]
        )
        wood = species.get(timber.species)
        members = solver.Members(
            d_factor=np.array([truth.d_factor]),
            surface_factor=np.array([truth.surface_factor]),
            start_mc_pct=np.array([truth.start_mc_pct]),
            emc_offset_pct=np.array([truth.emc_offset_pct]),
            heartwood_mm=np.array([max(sapwood.usual_mm(timber.section, wood)[0], 0.0)]),
        )
        fields = solver.dry(
            timber.section,
            None,
            air,
            diffusion.law_for(wood),
            start_posix_s=start_s,
            at_posix_s=at_s,
            members=members,
        )
        return at_s, fields

    def _at(self, tag: str, posix_s: float) -> MoistureField:
        at_s, fields = self._hidden[tag]
        return fields[int(np.clip(np.searchsorted(at_s, posix_s, side="right") - 1, 0, len(fields) - 1))]

    def _temp_c(self, posix_s: float) -> float:
        return float(np.interp(posix_s, self.air.posix_s, self.air.temp_c))

    def _air_records(self, posix_s: float) -> list[dict[str, object]]:
        rh = float(np.interp(posix_s, self.air.posix_s, self.air.rh_pct)) + float(self._chance.normal(0, 0.6))
        temp = self._temp_c(posix_s) + float(self._chance.normal(0, 0.1))
        return [
            {"n": "temp", "u": "Cel", "v": round(temp, 2), "t": posix_s},
            {"n": "humidity", "u": "%RH", "v": round(min(max(rh, 5.0), 99.0), 1), "t": posix_s},
        ]

    def _air_pack(self, first: float, last: float) -> Message:
        hours = self.air.posix_s[(self.air.posix_s >= first) & (self.air.posix_s < last)]
        return self._message(f"air/{PLACE}", [r for at in hours for r in self._air_records(float(at))])

    def _timber_records(self, piece: Piece, first: float, last: float) -> list[dict[str, object]]:
        arrived = piece.timber.arrived_utc.timestamp()
        records: list[dict[str, object]] = []
        for at in _every(arrived + HOUR_S, piece.pins_every_h * HOUR_S, first, last):
            records += self._pin_records(piece, at)
        if piece.weighed_every_days:
            for at in _every(arrived + 2 * HOUR_S, piece.weighed_every_days * DAY_S, first, last):
                records.append(self._weight_record(piece, at))
        return records

    def _pin_records(self, piece: Piece, posix_s: float) -> list[dict[str, object]]:
        field = self._at(piece.timber.tag, posix_s)
        wood_c = self._temp_c(posix_s)
        fsp = species.get(piece.timber.species).fsp_pct
        records: list[dict[str, object]] = [
            {"n": "wood-temp", "u": "Cel", "v": round(wood_c, 1), "t": posix_s}
        ]
        for depth in piece.pins_mm:
            true = float(field.pin_pct(depth, PIN_FACE)[0])
            over = max(true - fsp, 0.0)  # free water: the meter shows little of it, and not twice the same
            noise = METER_NOISE_PCT if over == 0 else METER_WET_NOISE_PCT
            shown = min(true, fsp) + METER_WET_SLOPE * over + piece.truth.meter_bias_pct
            shown += float(self._chance.normal(0, noise))
            shown += METER_PER_DEGREE * (wood_c - 20.0)
            if self._chance.random() < 0.004:  # a pin that has lost its hold
                shown *= 0.45
            records.append(
                {
                    "n": f"pin-{depth:g}/{PIN_FACE.value}/moisture",
                    "u": "/",
                    "v": round(min(max(shown, 4.0), _HIGHEST_PCT) / 100, 4),
                    "t": posix_s,
                }
            )
        return records

    def _weight_record(self, piece: Piece, posix_s: float) -> dict[str, object]:
        timber = piece.timber
        mean = float(self._at(timber.tag, posix_s).mean_pct[0])
        density = species.get(timber.species).basic_density_kg_m3 * piece.truth.density_factor
        weight = float(gravimetric.green_mass_kg(timber.section, timber.length_mm, mean, density))
        weight *= 1 + float(self._chance.normal(0, 0.002))
        if self._chance.random() < 0.02:  # read off in pounds
            weight *= 2.2046
        return {"n": "weight", "u": "kg", "v": round(weight, 1), "t": posix_s}

    def _message(self, tail: str, records: list[dict[str, object]]) -> Message:
        pack = [dict(record) for record in records]
        if pack:
            base = pack[0]["t"]
            for record in pack:
                record["t"] = round(float(str(record["t"])) - float(str(base)), 3)
            pack[0] = {"bt": base, **pack[0]}
        return Message(topic=f"baulk/v1/{SHOP}/{tail}", payload=json.dumps(pack).encode())


def _every(start: float, step: float, first: float, last: float) -> list[float]:
    """Moments start + k step that lie in [first, last)."""
    k = max(0, int(np.ceil((first - start) / step)))
    moments = []
    while (at := start + k * step) < last:
        if at >= first:
            moments.append(at)
        k += 1
    return moments


_IN_FLIGHT = 200
_PATIENCE_S = 60.0


class NotPublished(BaulkError):
    """The demo's messages did not get to its broker."""


class Publisher:
    """A connection to the demo's broker; use it in a with statement.

    Parameters
    ----------
    host : str
        Address of the broker.
    port : int
        Its port.
    """

    def __init__(self, host: str, port: int) -> None:
        self._where = (host, port)
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id="simulated-shed", protocol=mqtt.MQTTv5
        )
        self._client.max_inflight_messages_set(_IN_FLIGHT)

    def __enter__(self) -> Self:
        try:
            self._client.connect(*self._where)
        except OSError as err:
            raise NotPublished(
                f"the demo's broker at {self._where[0]}:{self._where[1]} does not answer"
            ) from err
        self._client.loop_start()
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def send(self, messages: Iterable[Message], stopped: Callable[[], bool] = lambda: False) -> None:
        """Publish and wait until the broker has taken all.

        Parameters
        ----------
        messages : iterable of Message
            What goes out, in this order.
        stopped : callable
            Whether to give up waiting.

        Raises
        ------
        NotPublished
            If the broker has not taken them within a minute.
        """
        pending = [self._client.publish(each.topic, each.payload, qos=1) for each in messages]
        until = time.monotonic() + _PATIENCE_S
        while not all(each.is_published() for each in pending):
            if stopped():
                return
            if time.monotonic() > until:
                raise NotPublished("the demo's broker did not take the messages within a minute")
            time.sleep(0.002)
