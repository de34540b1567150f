"""Lengths, temperatures and masses as people write them, read and shown in either system."""

from __future__ import annotations

import math
import re
from fractions import Fraction
from typing import Final, Literal

from baulk.models.errors import OutOfRange

System = Literal["inch", "metric"]
LengthUnit = Literal["in", "mm"]
TemperatureUnit = Literal["C", "F"]
MassUnit = Literal["kg", "lb"]

# exact by the international agreement of 1959 (yard 0.9144 m, pound 0.45359237 kg)
_MM: Final = {"in": 25.4, "ft": 304.8, "mm": 1.0, "cm": 10.0, "m": 1000.0}
_KG: Final = {"kg": 1.0, "g": 0.001, "lb": 0.45359237, "oz": 0.45359237 / 16}

_WORDS: Final = {
    '"': "in", "''": "in", "in": "in", "ins": "in", "inch": "in", "inches": "in",
    "'": "ft", "ft": "ft", "foot": "ft", "feet": "ft",
    "mm": "mm", "millimetre": "mm", "millimetres": "mm", "millimeter": "mm", "millimeters": "mm",
    "cm": "cm", "m": "m", "metre": "m", "metres": "m", "meter": "m", "meters": "m",
}  # fmt: skip
_MASS_WORDS: Final = {
    "kg": "kg", "kgs": "kg", "kilogram": "kg", "kilograms": "kg", "g": "g", "gram": "g", "grams": "g",
    "lb": "lb", "lbs": "lb", "pound": "lb", "pounds": "lb", "oz": "oz", "ounce": "oz", "ounces": "oz",
}  # fmt: skip
_VULGAR: Final = {
    "½": "1/2", "¼": "1/4", "¾": "3/4", "⅛": "1/8", "⅜": "3/8", "⅝": "5/8", "⅞": "7/8",
    "⅓": "1/3", "⅔": "2/3",
}  # fmt: skip
_PLAIN: Final = str.maketrans({
    "\u2033": '"', "\u201d": '"', "\u201c": '"', "\u2032": "'", "\u2019": "'", "\u2044": "/",
    "\u2212": "-", "\u2013": "-", "\u00a0": " ", "\u202f": " ", "\u00d7": "x", "\u00b0": "", "\u00ba": "",
})  # fmt: skip

_NUMBER = r"(?:\d+\.?\d*|\.\d+)"
_AMOUNT = rf"(?:\d+\s*[-\s]\s*\d+\s*/\s*\d+|\d+\s*/\s*\d+|{_NUMBER})"
_UNIT = r"(?:''|\"|'|[a-z]+)"
_LENGTH: Final = re.compile(
    rf"(?P<sign>[+-]?)\s*(?:(?P<feet>{_NUMBER})\s*(?:ft|foot|feet|'(?!'))\s*-?\s*(?=\d|\.))?"
    rf"(?P<amount>{_AMOUNT})\s*(?P<unit>{_UNIT})?\.?"
)
_PERCENT: Final = re.compile(rf"([+-]?{_NUMBER})\s*%?")
_QUANTITY: Final = re.compile(rf"(?P<amount>[+-]?\s*{_NUMBER})\s*(?P<unit>(?:deg(?:rees)? ?)?[a-z]+)?\.?")


def default_length_unit(system: System) -> LengthUnit:
    """Return the unit of a length without one."""
    return "in" if system == "inch" else "mm"


def default_mass_unit(system: System) -> MassUnit:
    """Return the unit of a mass without one."""
    return "lb" if system == "inch" else "kg"


def length_mm(text: str, *, bare: LengthUnit | None = None, signed: bool = False) -> float:
    """Read a length such as "7 3/4", 7-3/4", "8 ft 6 in", "197 mm" or "2.4 m".

    Parameters
    ----------
    text : str
        What was typed. A fraction or an inch mark means inches.
    bare : {"in", "mm"}, optional
        Unit of a number without one; without it such a number is refused.
    signed : bool
        Whether zero and negative lengths are allowed, as for the position of a pith.

    Returns
    -------
    float
        The length. [mm]

    Raises
    ------
    OutOfRange
        If it is not a length, lacks its unit, or is not above 0.
    """
    return _length(text, bare, signed=signed)


def size_mm(text: str, *, bare: LengthUnit | None = None) -> tuple[float, float]:
    """Read a section size such as "8 x 7 in", "7 3/4 x 7 3/4" or "203x178 mm".

    Parameters
    ----------
    text : str
        Width and depth with an x, a multiplication sign or "by" between them; a unit behind one of the two
        counts for both.
    bare : {"in", "mm"}, optional
        Unit of two numbers without one.

    Returns
    -------
    width_mm, depth_mm : float
        The two sides in the order given. [mm]

    Raises
    ------
    OutOfRange
        If it is not two lengths.
    """
    parts = re.split(r"\s*(?:x|\*|\bby\b)\s*", _plain(text))
    if len(parts) != 2 or not all(parts):
        raise OutOfRange("a size", f'looks like "8 x 7 in" or "203 x 178 mm", not {text!r}')
    units = [unit for part in parts if (unit := _unit_of(part)) is not None]
    shared = units[-1] if units else bare
    return _length(parts[0], shared), _length(parts[1], shared)


def offset_mm(text: str, *, bare: LengthUnit | None = None, what: str = "the place") -> tuple[float, float]:
    """Read a place in the cross-section such as "1 x -4 in": right and up from the centre.

    Parameters
    ----------
    text : str
        What was typed; a unit behind the second length counts for both.
    bare : {"in", "mm"}, optional
        Unit of two numbers without one.
    what : str
        What it is the place of, for the sentence of an error.

    Returns
    -------
    x_mm, y_mm : float
        To the right and up, either sign. [mm]

    Raises
    ------
    OutOfRange
        If it is not two lengths.
    """
    parts = text.lower().replace("\u00d7", "x").split("x")
    if len(parts) != 2:
        raise OutOfRange(what, f"looks like '1 x -4 in' (right and up from the centre), not {text!r}")
    right, up = parts
    unit = up.strip().lstrip("+-0123456789./ ")
    if unit and right.strip()[-1:].isdigit():
        right += f" {unit}"
    return length_mm(right, bare=bare, signed=True), length_mm(up, bare=bare, signed=True)


def temperature_c(text: str, *, bare: TemperatureUnit | None = None) -> float:
    """Read a temperature such as "68F", "20 C" or "-5 degC".

    Parameters
    ----------
    text : str
        What was typed.
    bare : {"C", "F"}, optional
        Unit of a number without one; without it such a number is refused.

    Returns
    -------
    float
        The temperature. [degC]

    Raises
    ------
    OutOfRange
        If it is not a temperature, lacks its unit, or lies below absolute zero.
    """
    value, _ = _quantity(text, "a temperature", '"68F" or "20C"')
    if temperature_unit(text, bare=bare) == "F":
        value = (value - 32) / 1.8
    if value < -273.15:
        raise OutOfRange("the temperature", f"{text!r} lies below absolute zero; check its unit")
    return value


def temperature_unit(text: str, *, bare: TemperatureUnit | None = None) -> TemperatureUnit:
    """Return the unit that a temperature was typed in, so that the answer can be written in it.

    Raises
    ------
    OutOfRange
        If it is not a temperature or lacks its unit.
    """
    _, word = _quantity(text, "a temperature", '"68F" or "20C"')
    unit = (word.removeprefix("deg").removeprefix("rees").strip() if word else bare or "").lower()
    if unit in {"f", "fahrenheit"}:
        return "F"
    if unit in {"c", "cel", "celsius"}:
        return "C"
    raise _no_unit("the temperature", text, word, "C or F")


def mass_kg(text: str, *, bare: MassUnit | None = None) -> float:
    """Read a mass such as "212 lb" or "96 kg".

    Parameters
    ----------
    text : str
        What was typed.
    bare : {"kg", "lb"}, optional
        Unit of a number without one; without it such a number is refused.

    Returns
    -------
    float
        The mass, above 0. [kg]

    Raises
    ------
    OutOfRange
        If it is not a mass, lacks its unit, or is not above 0.
    """
    value, word = _quantity(text, "a weight", '"212 lb" or "96 kg"')
    unit = _MASS_WORDS.get(word) if word else bare
    if unit is None:
        raise _no_unit("the weight", text, word, "kg or lb")
    if value <= 0:
        raise OutOfRange("the weight", f"must be above 0, not {text.strip()}")
    return value * _KG[unit]


def show_length(mm: float, system: System, spread_mm: float = 0.0) -> str:
    """Write a length: inches to the nearest sixteenth, or millimetres (tenths below 10 mm).

    Parameters
    ----------
    mm : float
        The length. [mm]
    system : {"inch", "metric"}
        The person's choice.
    spread_mm : float
        Its standard deviation: what is not known to a sixteenth is told to an eighth or a quarter, or to 2 or
        5 mm. [mm]

    Returns
    -------
    str
        For instance "7 3/4 in", "197 mm" or "2.4 mm"; a gap (NaN) is a dash.
    """
    number = _show_number(_as_known(mm, system, spread_mm), system)
    return number if number == "-" else f"{number} {default_length_unit(system)}"


def show_size(
    width_mm: float, depth_mm: float, system: System, spread_mm: tuple[float, float] = (0.0, 0.0)
) -> str:
    """Write a section size with one unit behind it.

    Parameters
    ----------
    width_mm, depth_mm : float
        The two sides. [mm]
    system : {"inch", "metric"}
        The person's choice.
    spread_mm : (float, float)
        Their standard deviations, as in `show_length`. [mm]

    Returns
    -------
    str
        For instance "8 x 7 in" or "203 x 178 mm".
    """
    width = _show_number(_as_known(width_mm, system, spread_mm[0]), system)
    return f"{width} x {show_length(depth_mm, system, spread_mm[1])}"


def show_temperature(temp_c: float, system: TemperatureUnit | System) -> str:
    """Write a temperature to the nearest degree.

    Parameters
    ----------
    temp_c : float
        The temperature. [degC]
    system : {"C", "F", "inch", "metric"}
        The unit, or a system that stands for its usual unit.

    Returns
    -------
    str
        For instance "68 °F" or "20 °C"; a gap (NaN) is a dash.
    """
    if not math.isfinite(temp_c):
        return "-"
    if system in {"F", "inch"}:
        return f"{round(temp_c * 1.8 + 32)} °F"
    return f"{round(temp_c)} °C"


def temperature_system(unit: TemperatureUnit) -> System:
    """Return the system whose usual unit of temperature this is, for sentences of temperatures alone."""
    return "inch" if unit == "F" else "metric"


def show_mass(kg: float, system: System, *, tenths: bool = False) -> str:
    """Write a mass: whole pounds or kilograms, tenths below ten.

    Parameters
    ----------
    kg : float
        The mass. [kg]
    system : {"inch", "metric"}
        The person's choice.
    tenths : bool
        Whether to write tenths above ten as well.

    Returns
    -------
    str
        For instance "212 lb" or "96 kg"; a gap (NaN) is a dash.
    """
    if not math.isfinite(kg):
        return "-"
    value, unit = (kg / _KG["lb"], "lb") if system == "inch" else (kg, "kg")
    return f"{value:.0f} {unit}" if abs(value) >= 9.95 and not tenths else f"{value:.1f} {unit}"


def percent(text: str, what: str) -> float:
    """Read a percentage, with or without its sign.

    Parameters
    ----------
    text : str
        For instance "62", "62.5 %".
    what : str
        What it is of, for the sentence of a refusal: "the relative humidity".

    Returns
    -------
    float
        The number; what it may be at least and at most, whoever asks knows. [%]

    Raises
    ------
    OutOfRange
        If it is no number, or has a comma.
    """
    match = _PERCENT.fullmatch(_plain(text))
    if match is None:
        raise OutOfRange(what, f"is a number in percent, such as 62 or 62.5, not {text!r}")
    return float(match[1])


def _plain(text: str) -> str:
    """Lower case, one kind of quotation mark, dash and fraction; no degree sign."""
    for sign, fraction in _VULGAR.items():
        text = text.replace(sign, f" {fraction}")
    text = " ".join(text.translate(_PLAIN).lower().split())
    if "," in text:
        raise OutOfRange("a number", f"is written with a decimal point and no thousands mark, not {text!r}")
    return text


def _length(text: str, bare: str | None, *, signed: bool = False) -> float:
    match = _LENGTH.fullmatch(_plain(text))
    if match is None:
        raise OutOfRange("a length", f'looks like "7 3/4 in", "8 ft" or "197 mm", not {text!r}')
    amount, word, feet = match["amount"], match["unit"], match["feet"]
    unit = _unit_of(_plain(text)) or bare
    if unit is None or (word and word not in _WORDS):
        raise _no_unit("the length", text, word, "in, ft, mm, cm or m")
    if unit not in {"in", "ft"} and ("/" in amount or feet):
        raise OutOfRange("a length", f"with a fraction is in inches, not {text!r}")
    mm = _amount(amount, text) * _MM[unit] + (float(feet) * _MM["ft"] if feet else 0.0)
    mm = -mm if match["sign"] == "-" else mm
    if not signed and mm <= 0:
        raise OutOfRange("a length", f"must be above 0, not {text.strip()}")
    return round(mm, 6)  # 7 in is 177.8 mm, without the dust of binary fractions


def _unit_of(plain: str) -> str | None:
    """Find the unit that a length names by itself; a fraction or feet before it mean inches."""
    match = _LENGTH.fullmatch(plain)
    if match is None:
        return None
    if match["unit"]:
        return _WORDS.get(match["unit"])
    return "in" if "/" in match["amount"] or match["feet"] else None


def _amount(text: str, whole: str) -> float:
    try:
        return float(sum(Fraction(part) for part in re.sub(r"\s*/\s*", "/", text.replace("-", " ")).split()))
    except ZeroDivisionError as err:
        raise OutOfRange("a fraction", f"can't be divided by 0: {whole!r}") from err


def _quantity(text: str, what: str, like: str) -> tuple[float, str | None]:
    match = _QUANTITY.fullmatch(_plain(text))
    if match is None:
        raise OutOfRange(what, f"looks like {like}, not {text!r}")
    return float(match["amount"].replace(" ", "")), match["unit"]


def _no_unit(what: str, text: str, word: str | None, units: str) -> OutOfRange:
    if word:
        return OutOfRange(what, f"{text.strip()!r} has the unknown unit {word!r}; use {units}")
    return OutOfRange(what, f"{text.strip()!r} needs its unit behind it: {units}")


def _as_known(mm: float, system: System, spread_mm: float) -> float:
    """Round a length to the finest step that is at least half its standard deviation; 0 is as usual."""
    steps = (25.4 / 16, 25.4 / 8, 25.4 / 4) if system == "inch" else (1.0, 2.0, 5.0)
    step = next((each for each in steps if each >= spread_mm / 2), steps[-1])
    return mm if step == steps[0] or not math.isfinite(mm) else round(mm / step) * step


def _show_number(mm: float, system: System) -> str:
    if not math.isfinite(mm):
        return "-"
    if system == "metric":
        return f"{mm:.0f}" if abs(mm) >= 9.95 else f"{round(mm, 1) + 0.0:g}"
    sixteenths = round(abs(mm) / 25.4 * 16)
    whole, rest = divmod(sixteenths, 16)
    fraction = f"{Fraction(rest, 16)}" if rest else ""
    text = " ".join(part for part in (str(whole) if whole or not rest else "", fraction) if part)
    return f"-{text}" if mm < 0 and sixteenths else text
