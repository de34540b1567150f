"""Timbers as a phone sends them, read from its JSON."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any, Final

from baulk.ingest.errors import ExchangeError
from baulk.ingest.walk import arrivals
from baulk.ingest.walk.entries import State
from baulk.models import moisture_text
from baulk.models.errors import BaulkError, OutOfRange
from baulk.models.quantity import Quantity
from baulk.models.section import Face, Finished, Section
from baulk.models.timber import Timber

MOST_ENTRIES: Final = 50  # of one batch
_LATEST: Final = timedelta(days=3650)  # a phone can't have carried an entry for longer


def from_json(
    body: object, *, now_utc: datetime, top_pct: float | None = None
) -> tuple[tuple[arrivals.Arrival, ...], tuple[str, ...], tuple[arrivals.Outcome, ...]]:
    """Read a batch as a phone sends it; an arrival that is not understood holds up no other.

    Parameters
    ----------
    body : object
        ``{"sent_ms": phone's now, "entries": [{"id", "tag", "proposed", "species", "size_mm": [across, deep],
        "pith_mm": [right, up], "length_mm", "finished_mm": [across, deep], "use", "place", "sealed",
        "heartwood_mm", "weight_kg", "pins": {"shown", "depth_mm", "face"}, "at_ms", "sure", "undo"}]}``.
        Without ``pith_mm`` an arrival is refused: nobody knows then whether its heart is boxed.
    now_utc : datetime
        Now: times are counted back from it, so that a phone's clock may be wrong.
    top_pct : float, optional
        Where the meter's scale ends: what OL means. [%]

    Returns
    -------
    arrivals : tuple of Arrival
        Those that are understood.
    undone : tuple of str
        Ids of those to be taken back.
    refused : tuple of Outcome
        The others.

    Raises
    ------
    ExchangeError
        If it is no such batch.
    """
    if not isinstance(body, dict) or not isinstance(rows := body.get("entries"), list):
        raise ExchangeError("the batch is not as the page sends it; load the page anew")
    if len(rows) > MOST_ENTRIES:
        raise OutOfRange("a batch", f"holds {MOST_ENTRIES} timbers at most, not {len(rows)}")
    found: list[arrivals.Arrival] = []
    undone: list[str] = []
    refused: list[arrivals.Outcome] = []
    for row in rows:
        try:
            key = str(row["id"])
            if not arrivals.ID.fullmatch(key):
                raise OutOfRange("an arrival", "is named by 8 to 64 letters, digits and dashes")
            if row.get("undo") is True:
                undone.append(key)
            else:
                found.append(_arrival(key, row, float(body["sent_ms"]), now_utc, top_pct))
        except (KeyError, TypeError, ValueError, AttributeError, OverflowError, BaulkError) as err:
            given = str(row.get("id", "")) if isinstance(row, dict) else ""
            why = str(err) if isinstance(err, BaulkError) else "it is not as the page sends it"
            refused.append(arrivals.Outcome(id=given[:64], state=State.REFUSED, why=why))
    return tuple(found), tuple(undone), tuple(refused)


def _arrival(
    key: str, row: Mapping[str, Any], sent_ms: float, now_utc: datetime, top_pct: float | None
) -> arrivals.Arrival:
    if row.get("pith_mm") is None:
        raise OutOfRange("the pith", "was not said: tap where it is, or say that the piece is boxed heart")
    ago_s = (sent_ms - float(row["at_ms"])) / 1000
    if not 0 <= ago_s < _LATEST.total_seconds():
        ago_s = 0.0
    width, depth = (float(each) for each in row["size_mm"])
    right, up = (float(each) for each in row["pith_mm"])
    wanted_width, wanted_depth = (float(each) for each in row["finished_mm"])
    timber = Timber(
        tag=str(row["tag"]).strip(),
        species=str(row["species"]),
        section=Section(width_mm=width, depth_mm=depth, pith_x_mm=right, pith_y_mm=up),
        length_mm=float(row["length_mm"]),
        finished=Finished(width_mm=wanted_width, depth_mm=wanted_depth),
        use_class=str(row["use"]),
        place=str(row["place"]).strip(),
        arrived_utc=now_utc - timedelta(seconds=ago_s),
        ends_sealed=row.get("sealed") is True,
        heartwood_mm=None if row.get("heartwood_mm") is None else float(row["heartwood_mm"]),
    )
    return arrivals.Arrival(
        id=key,
        timber=timber,
        first=tuple(_first(row, timber, top_pct)),
        proposed=row.get("proposed") is True,
        sure=row.get("sure") is True,
    )


def _first(row: Mapping[str, Any], timber: Timber, top_pct: float | None) -> list[arrivals.First]:
    found = []
    if row.get("weight_kg") is not None:
        found.append(arrivals.First(quantity=Quantity.WEIGHT, value=float(row["weight_kg"])))
    if (pins := row.get("pins")) is not None:
        shown = moisture_text.read(str(pins["shown"]), top_pct=top_pct)
        deep, face = float(pins["depth_mm"]), Face(pins["face"]) if pins.get("face") else None
        timber.section.refuse_depth(deep, face)
        moisture = arrivals.First(
            quantity=Quantity.MOISTURE,
            value=shown.mc_pct,
            at_least=shown.at_least,
            depth_mm=deep,
            face=face,
        )
        found.append(moisture)
    return found
