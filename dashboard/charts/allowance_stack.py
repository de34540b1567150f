"""What a green size is made of: the section to scale, beside it the allowance as a stack of named layers.

Drawn as SVG on the server, as the butt end of a timber is.
"""

from __future__ import annotations

from html import escape
from typing import Final

from baulk.dashboard.charts.butt_end import Picture, document
from baulk.dashboard.charts.time_series import INK, QUIET
from baulk.models.formatting import show_allowance
from baulk.models.plan.sawing.order import SizePlan
from baulk.models.section import Section
from baulk.models.units import System, show_size

FINISHED: Final = "finished"
ROUNDED: Final = "rounding up"
LEAST_MM: Final = 0.05  # thinner parts are not drawn
NAMES: Final = {"scatter": "pieces vary"}  # what a layer is called on the drawing, where that is another name
COLOURS: Final = ("#1c5a72", "#96501e", "#7b3f74", "#7a8b1f", "#3f8088", "#c08a4a", "#5d6a64", "#49635a",
                  "#9fb98a")  # fmt: skip

# The drawing, in px: the section at the left, two columns of layers, and their labels.
WIDE: Final = 356.0
SIDE: Final = 132.0  # the longer side of the section
LEFT: Final = 24.0
TOP: Final = 34.0
COLUMNS: Final = {"width": 180.0, "depth": 226.0}
COLUMN: Final = 22.0
LABELS: Final = 260.0
ROW: Final = 33.0  # a label: what it is, and below it how much
HIGH: Final = 150.0  # the higher column, at least


def parts(made: SizePlan, which: str) -> list[tuple[str, float]]:
    """Return the parts of the width or the depth, the finished size first, what is rounded up last.

    Parameters
    ----------
    made : SizePlan
        The plan.
    which : {"width", "depth"}
        Which side of the section.

    Returns
    -------
    list of (str, float)
        Name and size. [mm]
    """
    inner, outer = getattr(made.finished, f"{which}_mm"), getattr(made.green, f"{which}_mm")
    needed = getattr(made, f"needed_{which}_mm")
    terms = [(each.name, getattr(each, f"{which}_mm")) for each in made.terms]
    found = [(FINISHED, inner), *terms, (ROUNDED, outer - needed)]
    return [(name, size) for name, size in found if size > LEAST_MM]


def layers(made: SizePlan) -> dict[str, tuple[float, float]]:
    """Return the allowance by what each layer of it is for, from the finished piece out.

    Parameters
    ----------
    made : SizePlan
        The plan.

    Returns
    -------
    dict of str to (float, float)
        On the width and on the depth. [mm]
    """
    width, depth = (dict(parts(made, which)[1:]) for which in COLUMNS)
    order = [*(each.name for each in made.terms), ROUNDED]
    return {
        name: (width.get(name, 0.0), depth.get(name, 0.0)) for name in order if name in width or name in depth
    }


def drawing(made: SizePlan, system: System) -> Picture:
    """Draw the section to scale with the finished piece in it, and its allowance as a stack of layers.

    Parameters
    ----------
    made : SizePlan
        The plan.
    system : {"inch", "metric"}
        Units of the labels.

    Returns
    -------
    Picture
        Face a up; the layers of each direction to a common scale, larger than the section's.
    """
    found = layers(made)
    high = max(HIGH, ROW * len(found))
    total = max((sum(sizes[n] for sizes in found.values()) for n in (0, 1)), default=0.0)
    svg = _section(made, system)
    if total:
        svg += [*_fan(made, high), *_stack(found, high / total, high, system)]
    svg.append(_text(LEFT, 14, f"saw {show_size(made.green.width_mm, made.green.depth_mm, system)}", "b2"))
    return Picture(
        svg=document(WIDE, max(TOP + high + 26, TOP + SIDE + 30), [_STYLE, *svg]),
        said=f"The butt end to scale, face a up. {finding(made, system)}",
        width_px=WIDE,
    )


_STYLE: Final = "<style>.b2{font-weight:700;font-size:14px}.s{font-size:12px}</style>"


def _section(made: SizePlan, system: System) -> list[str]:
    green, finished = made.green, made.finished
    per = _per(green)
    wide, deep = green.width_mm * per, green.depth_mm * per
    inner = (finished.width_mm * per, finished.depth_mm * per)
    x, y = LEFT + wide / 2, TOP + deep / 2  # the centre
    at = (x + finished.centre_x_mm * per, y - finished.centre_y_mm * per)
    found = [
        _box(LEFT, TOP, wide, deep, f'fill="#d9cfc3" stroke="{INK}" stroke-width="1.5"'),
        _box(
            at[0] - inner[0] / 2, at[1] - inner[1] / 2, *inner,
            f'fill="#eef1ea" stroke="{INK}" stroke-dasharray="4 3"',
        ),
        _text(at[0], at[1] + 24, "finished", "in s", "middle"),
        _text(at[0], at[1] + 40, show_size(finished.width_mm, finished.depth_mm, system), "in s", "middle"),
    ]  # fmt: skip
    pith = (x + green.pith_x_mm * per, y - green.pith_y_mm * per)
    if green.boxed_heart:
        found.append(
            f'<path d="M{pith[0] - 6:.1f} {pith[1]:.1f}h12m-6 -6v12" stroke="{INK}" stroke-width="2.5"/>'
        )
        found.append(_text(pith[0] + 9, pith[1] - 5, "pith", "in s"))
    letters = {"a": (x, TOP - 5), "b": (LEFT + wide + 10, y + 4), "c": (x, TOP + deep + 15), "d": (10, y + 4)}
    return [*found, *(_text(*place, face, "q", "middle") for face, place in letters.items())]


def _fan(made: SizePlan, high: float) -> list[str]:
    """Return two lines from what lies between the finished piece and the face to the stack of it."""
    green, finished = made.green, made.finished
    per = _per(green)
    face = LEFT + green.width_mm * per
    piece = LEFT + (green.width_mm / 2 + finished.centre_x_mm + finished.width_mm / 2) * per
    y = TOP + green.depth_mm * per * 0.25
    left = COLUMNS["width"] - 3
    lines = f"M{face:.1f} {y:.1f}L{left:.1f} {TOP:.1f}M{piece:.1f} {y:.1f}L{left:.1f} {TOP + high:.1f}"
    return [f'<path d="{lines}" stroke="{QUIET}" stroke-width="0.8" fill="none"/>']


def _stack(found: dict[str, tuple[float, float]], per: float, high: float, system: System) -> list[str]:
    """Return the two columns, the layer next to the finished piece at the bottom, with their labels."""
    drawn: list[str] = []
    bottom = [TOP + high, TOP + high]
    middle: list[float] = []
    for colour, sizes in zip(COLOURS, found.values(), strict=False):
        ends = []
        for n, x in enumerate(COLUMNS.values()):
            tall = sizes[n] * per
            bottom[n] -= tall
            if tall:
                drawn.append(
                    _box(x, bottom[n], COLUMN, tall, f'fill="{colour}" stroke="#fff" stroke-width="0.7"')
                )
                ends.append(bottom[n] + tall / 2)
        middle.append(ends[-1])
    names = (("width", "across"), ("depth", "deep"))
    drawn += [_text(COLUMNS[of] + COLUMN / 2, TOP + high + 15, word, "q s", "middle") for of, word in names]
    rows = _apart(middle, TOP + 12, TOP + high - ROW + 12)
    end = max(COLUMNS.values()) + COLUMN
    for (name, sizes), colour, at, row in zip(found.items(), COLOURS, middle, rows, strict=False):
        drawn += [
            f'<path d="M{end:.1f} {at:.1f}L{LABELS - 4:.1f} {row:.1f}" stroke="{QUIET}" stroke-width="0.8"/>',
            _box(LABELS, row - 8, 8, 8, f'fill="{colour}"'),
            _text(LABELS + 12, row, NAMES.get(name, name), "s"),
            _text(LABELS + 12, row + 14, _both(sizes, system), "q s"),
        ]
    return drawn


def _both(sizes: tuple[float, float], system: System) -> str:
    """Return how much a layer is across and deep; once where it is the same."""
    across, deep = (show_allowance(size, system) for size in sizes)
    if across == deep:
        return across
    if not sizes[0] > LEAST_MM:
        return f"{deep} deep"
    if not sizes[1] > LEAST_MM:
        return f"{across} across"
    unit = f" {across.rsplit(' ', 1)[-1]}"
    return f"{across.removesuffix(unit)}, {deep}"


def _apart(wanted: list[float], top: float, bottom: float) -> list[float]:
    """Return the heights of the labels, a row apart at least, the first one lowest."""
    rows: list[float] = []
    for at in wanted:
        rows.append(min(at, bottom if not rows else rows[-1] - ROW))
    short = top - rows[-1] if rows else 0.0
    if short > 0:  # the uppermost would leave the drawing: push them down again from above
        rows[-1] = top
        for n in range(len(rows) - 2, -1, -1):
            rows[n] = max(rows[n], rows[n + 1] + ROW)
    return rows


def _per(green: Section) -> float:
    return SIDE / max(green.width_mm, green.depth_mm)


def _box(x: float, y: float, wide: float, high: float, style: str) -> str:
    return f'<rect x="{x:.1f}" y="{y:.1f}" width="{wide:.1f}" height="{high:.1f}" {style}/>'


def _text(x: float, y: float, said: str, kind: str, anchor: str = "start") -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" class="{kind}">{escape(said)}</text>'


def finding(made: SizePlan, system: System) -> str:
    """Say in one sentence how much of the width is allowance, and what most of it is for.

    Parameters
    ----------
    made : SizePlan
        The plan.
    system : {"inch", "metric"}
        Units of the sizes.

    Returns
    -------
    str
        The sentence.
    """
    rest = parts(made, "width")[1:]
    if not rest:
        return "The finished width needs no allowance."
    more = show_allowance(sum(size for _, size in rest), system)
    most, size = max(rest, key=lambda each: each[1])
    return (
        f"The width needs {more} above its finished size, most of it {NAMES.get(most, most)}: "
        f"{show_allowance(size, system)}."
    )
