"""A part wanted for the job, and the list of them as a table in a text file."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time
from typing import Final, Literal, get_args

from baulk.models import units
from baulk.models.errors import BaulkError, OutOfRange
from baulk.models.formatting import bare_cell, spreadsheet_cell
from baulk.models.woods import BUILT_IN, Woods

Heart = Literal["any", "boxed", "free"]
HEARTS: Final[tuple[str, ...]] = get_args(Heart)
# the largest that a sawmill or a tree gives; our own judgement
LONGEST_MM: Final = 30_000.0
THICKEST_MM: Final = 1_200.0

# what stands over a column, in small letters without its unit
HEADINGS: Final[Mapping[str, str]] = {
    "part": "name", "name": "name",
    "finished": "finished", "finished section": "finished", "section": "finished", "size": "finished",
    "length": "length",
    "curve": "curve", "sweep": "curve",
    "use": "use", "use class": "use",
    "wanted by": "wanted_by", "wanted": "wanted_by", "by": "wanted_by",
    "heart": "heart",
    "count": "count", "number": "count", "pieces": "count",
    "wood": "species", "species": "species",
    "other woods": "alternates", "other wood": "alternates", "alternates": "alternates",
    "order": "order", "order of need": "order", "needed": "order",
    "vessel": "vessel", "boat": "vessel", "building": "vessel", "job": "vessel",
}  # fmt: skip
NEEDED: Final = ("name", "finished", "length", "use")
COLUMNS: Final = "part,finished,length,curve,use,wanted by,heart,count,wood,other woods,order,vessel"
LAST: Final = 1_000  # order of need of a part that has none


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One part, or several alike, of the work in hand.

    Parameters
    ----------
    name : str
        What the shop calls it.
    width_mm, depth_mm : float
        Finished section. [mm]
    length_mm : float
        Finished length along the chord. [mm]
    sweep_mm : float
        Mid-ordinate of its curve over that length; 0 for a straight one. [mm]
    use_class : str
        Name in the use class table.
    wanted_by_utc : datetime, optional
        When it is to be squared and built in, with a time zone.
    heart : {"any", "boxed", "free"}
        Whether the pith is to lie inside, outside, or wherever it falls.
    count : int
        How many alike, at least 1.
    species : str, optional
        Name in the species table; None for whatever wood serves.
    alternates : tuple of str
        Other species that serve as well, taken only where that is better; none without `species`.
    order : int, optional
        Order of need, 1 the first, at most 999; those needed first are served first. None comes last.
    vessel : str
        What it is built into: a vessel or a building; may be empty.

    Raises
    ------
    OutOfRange
        If a size, a curve or a count cannot be.
    """

    name: str
    width_mm: float
    depth_mm: float
    length_mm: float
    use_class: str
    sweep_mm: float = 0.0
    wanted_by_utc: datetime | None = None
    heart: Heart = "any"
    count: int = 1
    species: str | None = None
    alternates: tuple[str, ...] = ()
    order: int | None = None
    vessel: str = ""

    @property
    def rank(self) -> int:
        """Order of need; parts without one come last and alike."""
        return LAST if self.order is None else self.order

    @property
    def woods(self) -> tuple[str, ...]:
        """Species that serve, the wanted one first; none for any."""
        return () if self.species is None else (self.species, *self.alternates)

    def __post_init__(self) -> None:
        who = f"part {self.name!r}"
        if not self.name.strip():
            raise OutOfRange("a part", "needs a name")
        if not (0 < self.width_mm <= THICKEST_MM and 0 < self.depth_mm <= THICKEST_MM):
            raise OutOfRange(
                who,
                f"of {self.width_mm:.0f} x {self.depth_mm:.0f} mm is larger than any log; check its unit",
            )
        if not max(self.width_mm, self.depth_mm) <= self.length_mm <= LONGEST_MM:
            raise OutOfRange(
                who,
                f"has a length of {self.length_mm:.0f} mm; it must be at least its section's larger side and "
                f"at most {LONGEST_MM / 1000:.0f} m",
            )
        if not 0 <= self.sweep_mm <= self.length_mm / 2:
            raise OutOfRange(
                who, f"has a curve of {self.sweep_mm:.0f} mm; it lies between 0 and half the length"
            )
        if self.heart not in HEARTS:
            raise OutOfRange(f"the heart of {who}", f"is any, boxed or free, not {self.heart!r}")
        if not 1 <= self.count <= 1000:
            raise OutOfRange(f"the count of {who}", f"lies between 1 and 1000, not {self.count}")
        if self.order is not None and not 1 <= self.order < LAST:
            raise OutOfRange(f"the order of {who}", f"lies between 1 and {LAST - 1}, not {self.order}")
        if self.alternates and self.species is None:
            raise OutOfRange(
                f"the wood of {who}", "must be named where other woods are; without one any wood serves"
            )
        if self.wanted_by_utc is not None and self.wanted_by_utc.tzinfo is None:
            raise OutOfRange(f"the date of {who}", "needs a time zone")


@dataclass(frozen=True, slots=True, kw_only=True)
class Refused:
    """A line of a parts list that is no part.

    Parameters
    ----------
    line : int
        Its number in the file, the heading being line 1.
    why : str
        A sentence for the person.
    """

    line: int
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PartList:
    """A parts list as read.

    Parameters
    ----------
    parts : tuple of Part
        In the order of the file.
    refused : tuple of Refused
        Lines that were not understood.
    """

    parts: tuple[Part, ...]
    refused: tuple[Refused, ...] = ()


def read_csv(
    text: str,
    *,
    now_utc: datetime | None = None,
    bare: units.LengthUnit | None = None,
    woods: Woods = BUILT_IN,
) -> PartList:
    """Read a parts list.

    Parameters
    ----------
    text : str
        A table with a heading line and commas, semicolons or tabs between: `COLUMNS`; part, finished, length
        and use are needed, other woods stand with a slash between. Lengths carry their unit in the cell
        ("6 x 6 in", "10 ft") or in the heading
        ("length (ft)", "curve_mm").
    now_utc : datetime, optional
        Now; with it a part wanted by a day that has passed is refused.
    bare : {"in", "mm"}, optional
        Unit of a length that has none.
    woods : Woods
        The shop's species and use classes.

    Returns
    -------
    PartList
        The parts, and each refused line with its reason. [mm]

    Raises
    ------
    OutOfRange
        If the heading is not that of a parts list, or nothing stands below it.
    """
    lines = _lines(text)
    if not lines:
        raise OutOfRange("the parts list", f"is empty; it begins with the columns {COLUMNS}")
    columns = _headings(lines[0][1])
    parts: list[Part] = []
    refused: list[Refused] = []
    for number, cells in lines[1:]:
        try:
            parts.append(_part(_by_name(columns, cells), now_utc, bare, woods))
        except BaulkError as err:
            refused.append(Refused(line=number, why=str(err)))
    if not parts and not refused:
        raise OutOfRange("the parts list", "has a heading and no part below it")
    return PartList(parts=tuple(parts), refused=tuple(refused))


def write_csv(parts: Sequence[Part], system: units.System = "metric") -> str:
    """Write a parts list that `read_csv` reads back.

    Parameters
    ----------
    parts : sequence of Part
        The parts. [mm]
    system : {"inch", "metric"}
        Whether lengths that are whole sixteenths of an inch are written in inches.

    Returns
    -------
    str
        The table.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS.split(","))
    for part in parts:
        writer.writerow(
            [
                spreadsheet_cell(part.name),
                f"{_exact(part.width_mm, system)} x {_exact(part.depth_mm, system)}",
                _exact(part.length_mm, system),
                _exact(part.sweep_mm, system),
                spreadsheet_cell(part.use_class),
                _iso(part.wanted_by_utc) if part.wanted_by_utc else "",
                part.heart,
                part.count,
                spreadsheet_cell(part.species or ""),
                spreadsheet_cell(" / ".join(part.alternates)),
                "" if part.order is None else part.order,
                spreadsheet_cell(part.vessel),
            ]
        )
    return out.getvalue()


def _exact(mm: float, system: units.System) -> str:
    if system == "inch" and abs(mm / 25.4 * 16 - round(mm / 25.4 * 16)) < 1e-4:
        return units.show_length(mm, "inch")
    return f"{mm:.10g} mm"


def _iso(moment: datetime) -> str:
    utc = moment.astimezone(UTC)
    return utc.date().isoformat() if utc.time() == time() else utc.isoformat()


def _lines(text: str) -> list[tuple[int, list[str]]]:
    """Give the lines that hold something, each with its number."""
    plain = "\n".join(text.removeprefix("\ufeff").splitlines())
    reader = csv.reader(io.StringIO(plain), delimiter=_between(plain))
    try:
        return [
            (reader.line_num, [bare_cell(cell) for cell in cells])
            for cells in reader
            if any(cell.strip() for cell in cells)
        ]
    except csv.Error as err:
        raise OutOfRange("the parts list", f"is no table at line {reader.line_num} ({err})") from err


def _between(text: str) -> str:
    head = text.lstrip().split("\n", 1)[0]
    return max(",;\t", key=head.count)


def _headings(cells: Sequence[str]) -> list[tuple[str | None, str]]:
    """Name each column, with the unit that its heading carries."""
    found: list[tuple[str | None, str]] = []
    for cell in cells:
        words = " ".join(cell.strip().lower().replace("_", " ").replace("-", " ").split())
        match = re.fullmatch(r"(.*?)[ ,(\[]+(mm|cm|m|in|ft)[)\]]?", words)
        name, unit = (match[1].strip(" ,([]"), match[2]) if match else (words, "")
        found.append((HEADINGS.get(name), unit))
    names = [name for name, _ in found if name]
    if missing := [name for name in NEEDED if name not in names]:
        raise OutOfRange(
            "the parts list",
            f"lacks the column {missing[0].replace('name', 'part')}; it begins with the columns {COLUMNS}",
        )
    if twice := [name for name in names if names.count(name) > 1]:
        raise OutOfRange("the parts list", f"has the column {twice[0].replace('name', 'part')} twice")
    return found


def _by_name(columns: Sequence[tuple[str | None, str]], cells: Sequence[str]) -> dict[str, str]:
    if len(cells) > len(columns) and any(cell.strip() for cell in cells[len(columns) :]):
        raise OutOfRange("this line", "has more values than the heading; a comma inside one needs quotes")
    row = dict.fromkeys(HEADINGS.values(), "")
    for (name, unit), cell in zip(columns, cells, strict=False):
        if name:
            plain = cell.strip()
            row[name] = f"{plain} {unit}" if unit and plain[-1:].isdigit() else plain
    return row


def _part(
    row: Mapping[str, str], now_utc: datetime | None, bare: units.LengthUnit | None, woods: Woods
) -> Part:
    if empty := [name for name in NEEDED if not row[name]]:
        raise OutOfRange("this line", f"has no {empty[0].replace('name', 'part')}")
    width_mm, depth_mm = units.size_mm(row["finished"], bare=bare)
    curve = row["curve"]
    heart = row["heart"].lower() or "any"
    if heart not in HEARTS:
        raise OutOfRange("the heart", f"is any, boxed or free, not {row['heart']!r}")
    return Part(
        name=row["name"],
        width_mm=width_mm,
        depth_mm=depth_mm,
        length_mm=units.length_mm(row["length"], bare=bare),
        sweep_mm=0.0 if curve in {"", "0", "-"} else units.length_mm(curve, bare=bare, signed=True),
        use_class=woods.use_classes.get(row["use"]).name,
        wanted_by_utc=_day(row["wanted_by"], now_utc),
        heart=heart,  # type: ignore[arg-type]  # one of HEARTS, as just asked
        count=_whole(row["count"] or "1", "the count"),
        order=_whole(row["order"], "the order") if row["order"] else None,
        vessel=row["vessel"],
        alternates=tuple(
            woods.species.get(each.strip()).name for each in row["alternates"].split("/") if each.strip()
        ),
        species=woods.species.get(row["species"]).name if row["species"] else None,
    )


def _day(text: str, now_utc: datetime | None) -> datetime | None:
    if not text:
        return None
    try:
        day = datetime.fromisoformat(text)
    except ValueError as err:
        raise OutOfRange("the date", f"looks like 2027-04-30, not {text!r}") from err
    day = day.replace(tzinfo=UTC) if day.tzinfo is None else day.astimezone(UTC)
    if now_utc is not None and day.date() < now_utc.date():
        raise OutOfRange("the date", f"{text} has passed; give a day to come, or leave it empty")
    return day


def _whole(text: str, what: str) -> int:
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    if not (1 <= number < math.inf and number == int(number)):
        raise OutOfRange(what, f"is a whole number from 1, not {text!r}")
    return int(number)
