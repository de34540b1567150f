"""Reliability as a picture: the truths below each told quantile, and the told yeses that held."""

from __future__ import annotations

import numpy as np
from PIL import Image, ImageDraw

from honesty import scores

SIDE, EDGE = 420, 60
COLOURS = {"mean": "#1b4f9c", "core": "#b3431b", "shell": "#3b7d2a", "told yes": "#333333"}


def _frame(title):
    """A square with its diagonal, on which an honest forecast lies."""
    picture = Image.new("RGB", (SIDE + 2 * EDGE, SIDE + 2 * EDGE), "white")
    pen = ImageDraw.Draw(picture)
    pen.rectangle((EDGE, EDGE, EDGE + SIDE, EDGE + SIDE), outline="black")
    pen.line((EDGE, EDGE + SIDE, EDGE + SIDE, EDGE), fill="#999999")
    pen.text((EDGE, 20), title, fill="black")
    pen.text((EDGE, EDGE + SIDE + 30), "told", fill="black")
    pen.text((8, EDGE), "held", fill="black")
    for i in range(0, 11, 2):
        at = SIDE * i // 10
        pen.text((EDGE + at - 6, EDGE + SIDE + 8), f"{i / 10:.1f}", fill="black")
        pen.text((EDGE - 26, EDGE + SIDE - at - 6), f"{i / 10:.1f}", fill="black")
    return picture, pen


def _curve(pen, told, held, name, row, counts=None):
    points = [(EDGE + SIDE * x, EDGE + SIDE * (1 - y)) for x, y in zip(told, held, strict=True)]
    pen.line(points, fill=COLOURS[name], width=2)
    sizes = np.full(len(points), 4) if counts is None else 3 + np.sqrt(counts)
    for (x, y), size in zip(points, sizes, strict=True):
        pen.ellipse((x - size, y - size, x + size, y + size), outline=COLOURS[name], width=2)
    pen.text((EDGE + SIDE - 80, EDGE + SIDE - 70 + 16 * row), name, fill=COLOURS[name])


def quantiles(rows, path, horizons=(0, 180)):
    """Draw, for each horizon, the share of truths below each told quantile."""
    made = []
    for horizon in horizons:
        picture, pen = _frame(f"{horizon} days ahead: share of truths below the told quantile")
        for row, part in enumerate(("mean", "core", "shell")):
            some = [each for each in rows if each["part"] == part and each["horizon"] == horizon]
            q, true = np.array([each["q"] for each in some]), np.array([each["truth"] for each in some])
            _curve(pen, scores.LEVELS, (true[:, None] <= q).mean(axis=0), part, row)
        made.append(picture)
    _beside(made).save(path)


def squaring(rows, path):
    """Draw told probabilities of `square` against what held; a larger ring stands for more answers."""
    found = scores.reliability([each["probability"] for each in rows], [each["holds"] for each in rows])
    picture, pen = _frame("probability told of `square`, and the share that held in build and service")
    _curve(pen, found["mean told"], found["held"], "told yes", 0, found["n"])
    picture.save(path)


def _beside(pictures):
    whole = Image.new("RGB", (sum(each.width for each in pictures), pictures[0].height), "white")
    for i, each in enumerate(pictures):
        whole.paste(each, (i * each.width, 0))
    return whole
