"""A row of a file as what it says of a timber: our own columns, or those that a person types in a sheet."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from datetime import datetime, tzinfo
from typing import Any, Final

from baulk.ingest.errors import ExchangeError, NoSuchHour
from baulk.ingest.exchange.csv_file import Row, Sheet, folded
from baulk.ingest.exchange.rejected_rows import WHY
from baulk.ingest.wire.zone import written
from baulk.models import units
from baulk.models.errors import OutOfRange
from baulk.models.woods import Woods

Said = dict[str, Any]  # columns of the register (`tables.FIELDS`) with what a row says of them

# headings as `folded`, without a unit behind them
COLUMNS: Final[Mapping[str, str]] = {
    "tag": "tag", "timber": "tag",
    "species": "species", "wood": "species",
    "green": "green", "size": "green", "green size": "green",
    "width": "width_mm", "depth": "depth_mm",
    "pith": "pith", "pith x": "pith_x_mm", "pith y": "pith_y_mm",
    "length": "length_mm",
    "finished": "finished", "finished size": "finished",
    "finished width": "finished_width_mm", "finished depth": "finished_depth_mm",
    "centre": "centre", "center": "centre",
    "finished x": "finished_x_mm", "finished y": "finished_y_mm",
    "use": "use_class", "use class": "use_class",
    "place": "place", "lies in": "place",
    "arrived": "arrived_utc", "arrived utc": "arrived_utc", "arrival": "arrived_utc",
    "sealed": "ends_sealed", "ends sealed": "ends_sealed",
    "green mc": "green_mc_pct", "green mc pct": "green_mc_pct", "green mc %": "green_mc_pct",
    "green mc (%)": "green_mc_pct",
    "retired": "retired_utc", "retired utc": "retired_utc",
}  # fmt: skip
_UNITED: Final = re.compile(r"(?P<name>.+?) \(?(?P<unit>mm|cm|m|in|inch|inches|ft|feet)\)?")
_PLAIN: Final = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?")
_WITHOUT_UNIT: Final = re.compile(r"[^A-Za-wyzA-WYZ\"'\u2032\u2033\u201d]+")  # x stands between two numbers
_YES: Final = {"yes": True, "y": True, "true": True, "1": True, "x": True,
               "no": False, "n": False, "false": False, "0": False}  # fmt: skip
_PAIRS: Final = {
    "green": ("width_mm", "depth_mm"),
    "finished": ("finished_width_mm", "finished_depth_mm"),
    "pith": ("pith_x_mm", "pith_y_mm"),
    "centre": ("finished_x_mm", "finished_y_mm"),
}
_NAMED: Final = {"green": "the green size", "finished": "the finished size", "pith": "the pith",
                 "centre": "the centre of the finished piece"}  # fmt: skip


def is_timbers(names: frozenset[str]) -> bool:
    """Whether headings are those of timbers."""
    known = {key for name in names if (key := _column(name)[0])}
    return "tag" in known and len(known) > 1


class TimberForm:
    """How the rows of one file are read.

    Parameters
    ----------
    sheet : Sheet
        The file.
    bare : "in" or "mm"
        Unit of a length that has none behind it and none in its heading.
    now_utc : datetime
        What is later is refused.
    woods : Woods
        The shop's species and use classes.
    """

    def __init__(
        self,
        sheet: Sheet,
        *,
        bare: units.LengthUnit,
        now_utc: datetime,
        woods: Woods,
        zone: tzinfo | None = None,
    ) -> None:
        self._comma, self._bare, self._now = sheet.decimal_comma, bare, now_utc
        self._zone = zone
        self._woods = woods
        self._columns: list[tuple[int, str, str | None, str]] = []
        self.unknown: list[str] = []
        for n, heading in enumerate(sheet.headings):
            key, unit = _column(folded(heading))
            if key:
                self._columns.append((n, key, unit, heading))
            elif heading and folded(heading) != WHY:
                self.unknown.append(heading)
        keys = [key for _, key, _, _ in self._columns]
        if twice := next((key for key in keys if keys.count(key) > 1), None):
            shown = " and ".join(repr(each[3]) for each in self._columns if each[1] == twice)
            raise ExchangeError(f"{sheet.name} has two columns for the same: {shown}; take one away")

    def tag(self, row: Row) -> str:
        """Give the tag that stands in a row, whatever the rest says."""
        return next(row.cells[n] for n, key, _, _ in self._columns if key == "tag")

    def said(self, row: Row) -> Said:
        """Give what a row says; a cell that is empty says nothing.

        Raises
        ------
        OutOfRange, NotFound
            If a cell makes no sense.
        """
        said: Said = {}
        for n, key, unit, heading in self._columns:
            text = row.cells[n]
            if not text:
                continue
            if key in _PAIRS:
                first, second = _PAIRS[key]
                said[first], said[second] = self._pair(key, text, unit)
            else:
                said[key] = self._one(key, text, unit, heading)
        return said

    def _one(self, key: str, text: str, unit: str | None, heading: str) -> Any:  # noqa: ANN401
        if key.endswith("_mm"):
            return self._length(text, unit, signed=key in {*_PAIRS["pith"], *_PAIRS["centre"]})
        if key in {"arrived_utc", "retired_utc"}:
            return self._moment(text, heading)
        if key == "species":
            return self._woods.species.get(text).name
        if key == "use_class":
            return self._woods.use_classes.get(text).name
        read: Callable[[str], Any] | None = _READ.get(key)
        if read is None:
            return text
        return read(self._pointed(text) if key == "green_mc_pct" else text)

    def _pointed(self, text: str) -> str:
        return re.sub(r"(?<=\d),(?=\d)", ".", text) if self._comma else text

    def _length(self, text: str, unit: str | None, *, signed: bool) -> float:
        text = self._pointed(text)
        if unit == "mm" and _PLAIN.fullmatch(text):  # as we write it ourselves: to the last digit
            return float(text)
        return units.length_mm(self._united(text, unit), bare=self._bare, signed=signed)

    def _pair(self, key: str, text: str, unit: str | None) -> tuple[float, float]:
        text = self._united(self._pointed(text), unit)
        if key in {"pith", "centre"}:
            return units.offset_mm(text, bare=self._bare, what=_NAMED[key])
        return units.size_mm(text, bare=self._bare)

    @staticmethod
    def _united(text: str, unit: str | None) -> str:
        """Put the unit of the heading behind what has none."""
        return f"{text} {unit}" if unit and _WITHOUT_UNIT.fullmatch(text) else text

    def _moment(self, text: str, heading: str) -> datetime:
        try:
            at_utc = written(text, self._zone, self._now)
        except NoSuchHour as err:
            raise OutOfRange(heading, str(err)) from err
        except (ValueError, OverflowError) as err:
            raise OutOfRange(heading, f"looks like 2026-11-25 or 2026-11-25 14:30, not {text!r}") from err
        if at_utc > self._now:
            raise OutOfRange(heading, f"{text} lies in the future; look at the date")
        return at_utc


def _yes(text: str) -> bool:
    found = _YES.get(text.lower())
    if found is None:
        raise OutOfRange("whether the ends are sealed", f"is said by yes or no, not by {text!r}")
    return found


def _percent(text: str) -> float:
    plain = text.removesuffix("%").strip()
    if not _PLAIN.fullmatch(plain):
        raise OutOfRange("the green moisture content", f"is a number in percent, not {text!r}")
    return float(plain)


_READ: Final[Mapping[str, Callable[[str], Any]]] = {
    "ends_sealed": _yes,
    "green_mc_pct": _percent,
}


def _column(name: str) -> tuple[str | None, str | None]:
    """Give what a heading means, and the unit that it names."""
    if found := _UNITED.fullmatch(name):
        key = COLUMNS.get(found["name"])
        if key and (key in _PAIRS or key.endswith("_mm")):
            return key, found["unit"]
    key = COLUMNS.get(name)
    return key, None
