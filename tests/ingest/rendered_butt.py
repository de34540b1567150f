"""Pictures of a butt end with a label, made by following each ray of a pinhole camera to the wood.

Shares the drawing of the code with the program, and nothing else: no projective map and no search. It could
not find what a bent label, a label off the wood or the bend of a lens do; `bend` tries the last.
"""

import io
import math
from dataclasses import dataclass

import numpy as np
import segno
from PIL import Image
from scipy import ndimage

WIDTH_MM, DEPTH_MM = 200.0, 190.0
SIZE_PX = (1500, 1125)


@dataclass(frozen=True, kw_only=True)
class Camera:
    """A camera that looks at the middle of the butt end."""

    tilt: float = 0.0  # degrees, about the axis across
    turn: float = 0.0  # about the axis up
    roll: float = 0.0  # about its own axis
    focal: float = 0.8  # of the longer side
    away_mm: float = 330.0

    def axes(self):
        a, b, c = (math.radians(v) for v in (self.tilt, self.turn, self.roll))
        back = np.array([math.sin(b) * math.cos(a), math.sin(a), math.cos(b) * math.cos(a)])
        right = np.cross(-back, [0.0, 1.0, 0.0])
        right /= np.linalg.norm(right)
        up = np.cross(right, -back)
        return (
            back * self.away_mm * self.focal / 0.8,
            math.cos(c) * right + math.sin(c) * up,
            -math.sin(c) * right + math.cos(c) * up,
            -back,
        )

    def seen_at(self, places):
        """Return where places of the wood, x right and y up from its middle, lie in the picture."""
        eye, right, up, ahead = self.axes()
        away = np.column_stack([places, np.zeros(len(places))]) - eye
        far = away @ ahead
        focal = self.focal * SIZE_PX[0]
        return np.column_stack(
            [
                focal * (away @ right) / far + (SIZE_PX[0] - 1) / 2,
                (SIZE_PX[1] - 1) / 2 - focal * (away @ up) / far,
            ]
        )


def picture(camera, words, side_mm, at_mm=(-15.0, 15.0), *, bend=0.0, seed=1):
    """Return a JPEG of the butt end with the label's code, its upper left corner at a place of the wood."""
    matrix = np.array([list(row) for row in segno.make(words, error="q", micro=False).matrix])
    eye, right, up, ahead = camera.axes()
    (wide, high), fine = SIZE_PX, 2
    focal = camera.focal * wide
    x = ((np.arange(wide * fine) + 0.5) / fine - wide / 2) / focal
    y = (high / 2 - (np.arange(high * fine) + 0.5) / fine) / focal
    x, y = np.meshgrid(x, y)
    if bend:
        further = 1 + bend * (x**2 + y**2)
        x, y = x * further, y * further
    ray = [right[i] * x + up[i] * y + ahead[i] for i in range(3)]
    reach = -eye[2] / ray[2]
    wood_x, wood_y = eye[0] + reach * ray[0], eye[1] + reach * ray[1]
    grey = np.full(wood_x.shape, 60.0)
    butt = (abs(wood_x) < WIDTH_MM / 2) & (abs(wood_y) < DEPTH_MM / 2)
    rings = (
        150 + 25 * np.sin(2.2 * np.hypot(wood_x - 10, wood_y + 15)) + 8 * np.sin(1.3 * wood_x + 0.7 * wood_y)
    )
    grey[butt] = rings[butt]
    n = len(matrix)
    across, down = (wood_x - at_mm[0]) * n / side_mm, (at_mm[1] - wood_y) * n / side_mm
    grey[(across > -4) & (down > -4) & (across < n + 4) & (down < n + 4)] = 225.0
    code = (across >= 0) & (down >= 0) & (across < n) & (down < n)
    dark = matrix[np.clip(down, 0, n - 1).astype(int), np.clip(across, 0, n - 1).astype(int)] == 1
    grey[code & dark] = 35.0
    grey *= np.linspace(0.85, 1.1, wide * fine)[None, :]  # light from one side
    small = grey.reshape(high, fine, wide, fine).mean((1, 3))
    noise = np.random.default_rng(seed).normal(0, 4, small.shape)
    out = io.BytesIO()
    Image.fromarray(np.clip(ndimage.gaussian_filter(small, 0.7) + noise, 0, 255).astype("uint8")).save(
        out, "JPEG", quality=85
    )
    return out.getvalue()


CORNERS = np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]]) * [WIDTH_MM / 2, DEPTH_MM / 2]
