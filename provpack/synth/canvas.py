"""A canvas to draw on: filled shapes with smooth edges, strokes, dot text, soft shadows."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from provpack.synth.font import set_text

Colour = tuple[int, int, int]
Field = NDArray[np.float32]  # signed distance to an outline in pixels, negative inside


class Canvas:
    """Pixels of shape (height, width, 3), drawn over in order. Coordinates in pixels, y downward."""

    def __init__(self, width: int, height: int, top: Colour, bottom: Colour) -> None:
        self.width, self.height = width, height
        slope = np.linspace(0.0, 1.0, height, dtype=np.float32)[:, None, None]
        a, b = np.array(top, dtype=np.float32), np.array(bottom, dtype=np.float32)
        self.pixels = np.broadcast_to(a + (b - a) * slope, (height, width, 3)).copy()

    def finished(self) -> NDArray[np.uint8]:
        """The picture as 8-bit pixels."""
        return np.asarray(np.clip(np.rint(self.pixels), 0, 255), dtype=np.uint8)

    def _window(self, box: tuple[float, float, float, float], margin: float) -> tuple[slice, slice]:
        x0, y0, x1, y1 = box
        return (
            slice(max(0, int(y0 - margin)), min(self.height, int(y1 + margin) + 1)),
            slice(max(0, int(x0 - margin)), min(self.width, int(x1 + margin) + 1)),
        )

    def _grid(self, at: tuple[slice, slice]) -> tuple[Field, Field]:
        y = np.arange(at[0].start, at[0].stop, dtype=np.float32)[:, None] + np.float32(0.5)
        x = np.arange(at[1].start, at[1].stop, dtype=np.float32)[None, :] + np.float32(0.5)
        return x, y

    def _blend(self, at: tuple[slice, slice], cover: Field, colour: Colour) -> None:
        under = self.pixels[at]
        under += cover[..., None] * (np.array(colour, dtype=np.float32) - under)

    def _paint(
        self, at: tuple[slice, slice], field: Field, colour: Colour, opacity: float, line: float | None
    ) -> None:
        """line None fills the shape; otherwise a stroke of that width is drawn along its outline."""
        edge = field if line is None else np.abs(field) - np.float32(line / 2)
        self._blend(at, np.clip(np.float32(0.5) - edge, 0, 1) * np.float32(opacity), colour)

    def box(
        self,
        box: tuple[float, float, float, float],
        colour: Colour,
        *,
        radius: float = 0.0,
        opacity: float = 1.0,
        line: float | None = None,
    ) -> None:
        """A rectangle (x0, y0, x1, y1) with rounded corners, filled or as an outline."""
        at = self._window(box, 2 + (line or 0))
        self._paint(at, _box_field(*self._grid(at), box, radius), colour, opacity, line)

    def shadow(self, box: tuple[float, float, float, float], *, radius: float, depth: float) -> None:
        """A soft shadow under a rectangle, fading over `depth` pixels."""
        at = self._window(box, depth + 1)
        field = _box_field(*self._grid(at), box, radius)
        self._blend(at, np.clip(np.float32(0.5) - field / np.float32(depth), 0, 1) ** 2 * 0.38, (25, 25, 30))

    def disc(
        self,
        x: float,
        y: float,
        radius: float,
        colour: Colour,
        *,
        opacity: float = 1.0,
        line: float | None = None,
    ) -> None:
        """A disc, or a circle when a line width is given."""
        at = self._window((x - radius, y - radius, x + radius, y + radius), 2 + (line or 0))
        gx, gy = self._grid(at)
        self._paint(at, np.hypot(gx - np.float32(x), gy - np.float32(y)) - radius, colour, opacity, line)

    def stroke(
        self, points: list[tuple[float, float]], colour: Colour, *, width: float, opacity: float = 1.0
    ) -> None:
        """A line through the points, with round ends."""
        xs, ys = [p[0] for p in points], [p[1] for p in points]
        at = self._window((min(xs), min(ys), max(xs), max(ys)), width + 2)
        gx, gy = self._grid(at)
        nearest = np.full((gy.shape[0], gx.shape[1]), np.inf, dtype=np.float32)
        for (ax, ay), (bx, by) in pairwise(points):
            dx, dy = bx - ax, by - ay
            along = np.clip(((gx - ax) * dx + (gy - ay) * dy) / max(dx * dx + dy * dy, 1e-6), 0, 1)
            nearest = np.minimum(nearest, np.hypot(gx - ax - along * dx, gy - ay - along * dy))
        self._paint(at, nearest - np.float32(width / 2), colour, opacity, None)

    def stain(
        self,
        x: float,
        y: float,
        radius: float,
        colour: Colour,
        within: tuple[float, float, float, float],
        seed: int,
    ) -> None:
        """A water mark: an uneven patch with a darker tide line, kept inside a rectangle."""
        at = self._window(within, 0)
        gx, gy = self._grid(at)
        angle = np.arctan2(gy - y, gx - x)
        chance = np.random.PCG64(seed).random_raw(6) % 1000 / 1000.0
        uneven = sum(
            (0.10 / (k + 1)) * np.sin((k + 2) * angle + 2 * np.pi * chance[k]) for k in range(len(chance))
        )
        field = (np.hypot(gx - x, (gy - y) * 1.35) - radius * (1 + uneven)).astype(np.float32)
        inside = np.clip(np.float32(0.5) - field, 0, 1)
        tide = np.exp(-np.square(field / 2.4)) * 0.55 + np.exp(-np.square((field + 13) / 3.0)) * 0.22
        self._blend(at, np.clip(inside * 0.18 + tide, 0, 1).astype(np.float32), colour)

    def text(
        self, x: float, y: float, words: str, colour: Colour, *, scale: int = 2, opacity: float = 1.0
    ) -> None:
        """Dot text with its upper left corner at (x, y); a dot is scale x scale pixels; clipped at edges."""
        dots = np.kron(set_text(words), np.ones((scale, scale), dtype=np.bool_))
        x0, y0 = int(x), int(y)
        dots = dots[max(0, -y0) : self.height - y0, max(0, -x0) : self.width - x0]
        x0, y0 = max(0, x0), max(0, y0)
        at = (slice(y0, y0 + dots.shape[0]), slice(x0, x0 + dots.shape[1]))
        self._blend(at, dots.astype(np.float32) * np.float32(opacity), colour)


def _box_field(x: Field, y: Field, box: tuple[float, float, float, float], radius: float) -> Field:
    x0, y0, x1, y1 = box
    dx = np.abs(x - np.float32((x0 + x1) / 2)) - np.float32((x1 - x0) / 2 - radius)
    dy = np.abs(y - np.float32((y0 + y1) / 2)) - np.float32((y1 - y0) / 2 - radius)
    outside = np.hypot(np.maximum(dx, 0), np.maximum(dy, 0))
    inside = np.minimum(np.maximum(dx, dy), 0)
    return np.asarray(outside + inside - np.float32(radius), dtype=np.float32)
