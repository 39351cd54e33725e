"""Drawn stand-ins for condition photographs: an invented cassette on a table, and its label close up.

They are plainly drawings (flat colours, outlines, a card that says so), so nobody takes one for evidence.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from provpack.synth.canvas import Canvas, Colour
from provpack.synth.png import png_bytes

WIDTH, HEIGHT = 720, 480
Mark = Literal["water_mark", "crack", "label_torn", "dust"]
Box = tuple[float, float, float, float]

INK: Colour = (34, 44, 92)
OUTLINE: Colour = (22, 22, 26)
TABLE_TOP: Colour = (203, 210, 205)
TABLE_BOTTOM: Colour = (176, 186, 183)
PAPER: Colour = (245, 240, 224)
WATER: Colour = (148, 104, 52)
BANDS: tuple[Colour, ...] = ((186, 70, 58), (56, 108, 142), (201, 146, 52), (82, 126, 84), (122, 88, 138))


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """What to draw.

    view: the whole cassette, or its label close up. card: the identification card (short).
    lines: the label, up to four lines. marks: what is wrong with it. wound: share of tape on the left spool.
    """

    view: Literal["cassette", "label"]
    card: str
    lines: tuple[str, ...]
    marks: tuple[Mark, ...] = ()
    wound: float = 0.8
    seed: int = 0


def draw(picture: Picture) -> bytes:
    """The picture as PNG bytes, 720 x 480 pixels."""
    canvas = Canvas(WIDTH, HEIGHT, TABLE_TOP, TABLE_BOTTOM)
    _table(canvas, picture.card)
    if picture.view == "cassette":
        _cassette(canvas, picture)
    else:
        _label(canvas, picture, (70, 70, 650, 372), scale=4)
    note = (("Title", picture.card), ("Comment", "A drawing of an invented cassette, not a photograph."))
    return png_bytes(canvas.finished(), text=note)


def _table(canvas: Canvas, card: str) -> None:
    for x in range(0, WIDTH, 24):
        canvas.box((x, 0, x + 1, HEIGHT), (150, 160, 160), opacity=0.25)
    for y in range(0, HEIGHT, 24):
        canvas.box((0, y, WIDTH, y + 1), (150, 160, 160), opacity=0.25)
    # A ruler and an identification card lie in every condition photograph; common practice, no source.
    canvas.shadow((42, 424, 442, 462), radius=2, depth=9)
    canvas.box((40, 420, 440, 458), (252, 250, 240), radius=2)
    canvas.box((40, 420, 440, 458), OUTLINE, radius=2, line=1.5)
    for cm in range(16):
        x = 50 + 25 * cm
        canvas.box((x, 420, x + 1.5, 436), OUTLINE)
        if cm % 5 == 0 and cm < 15:
            canvas.text(x + 4, 441, str(cm), OUTLINE, scale=2)
        elif cm % 2 and cm < 15:
            canvas.box((x, 433, x + 25, 436), OUTLINE)
    canvas.text(404, 441, "CM", OUTLINE, scale=2)
    canvas.shadow((464, 420, 684, 464), radius=3, depth=9)
    canvas.box((462, 416, 682, 460), PAPER, radius=3)
    canvas.box((462, 416, 682, 460), OUTLINE, radius=3, line=1.5)
    canvas.text(472, 423, card[:17], INK, scale=2)
    canvas.text(472, 444, "DRAWING - INVENTED TAPE", (150, 60, 50), scale=1)


def _cassette(canvas: Canvas, picture: Picture) -> None:
    shell: Box = (60, 40, 660, 392)
    x0, y0, x1, y1 = shell
    canvas.shadow((x0 + 8, y0 + 14, x1 + 10, y1 + 16), radius=16, depth=26)
    canvas.box(shell, (58, 60, 66), radius=14)
    canvas.box((x0 + 5, y0 + 5, x1 - 5, y0 + 11), (92, 95, 103), radius=3)
    canvas.box((x0, y1 - 54, x1, y1), (48, 50, 55), radius=12)  # the door along the front edge
    canvas.box((x0 + 8, y1 - 56, x1 - 8, y1 - 54), (28, 29, 32))
    for x in range(int(x0) + 26, int(x1) - 20, 13):
        canvas.box((x, y1 - 44, x + 5, y1 - 12), (38, 40, 44), radius=2)
    canvas.box(shell, OUTLINE, radius=14, line=3)
    for sx, sy in ((84, 66), (636, 66), (84, 322), (636, 322), (360, 56)):
        canvas.disc(sx, sy, 7, (40, 42, 46))
        canvas.disc(sx, sy, 7, OUTLINE, line=1.2)
        canvas.stroke([(sx - 4, sy - 3), (sx + 4, sy + 3)], (120, 124, 130), width=1.6)
    _spool(canvas, (98, 88, 248, 302), 172, 195, picture.wound)
    _spool(canvas, (472, 88, 622, 302), 548, 195, 1 - picture.wound)
    _label(canvas, picture, (262, 88, 458, 302), scale=2)
    if "crack" in picture.marks:
        _crack(canvas, picture.seed)
    if "dust" in picture.marks:
        _dust(canvas, shell, picture.seed)


def _spool(canvas: Canvas, window: Box, x: float, y: float, share: float) -> None:
    """A window with the hub and the tape pack behind it; the pack's area grows with the share of tape."""
    canvas.box(window, (86, 92, 98), radius=10)
    pack = math.sqrt(32.0**2 + share * (72.0**2 - 32.0**2))
    canvas.disc(x, y, pack, (52, 38, 32))
    for k in range(1, 4):
        ring = 32 + (pack - 32) * k / 4
        if ring > 36:
            canvas.disc(x, y, ring, (74, 56, 47), line=1.2, opacity=0.8)
    canvas.disc(x, y, pack, OUTLINE, line=1.6)
    canvas.disc(x, y, 32, (226, 226, 218))
    canvas.disc(x, y, 32, OUTLINE, line=2)
    canvas.disc(x, y, 18, (66, 68, 74))
    for k in range(6):
        angle = math.pi * k / 3 + share
        dx, dy = math.cos(angle), math.sin(angle)
        canvas.stroke([(x + 18 * dx, y + 18 * dy), (x + 11 * dx, y + 11 * dy)], (226, 226, 218), width=5)
    canvas.disc(x, y, 18, OUTLINE, line=1.5)
    canvas.stroke(
        [(window[0] + 14, window[1] + 34), (window[0] + 34, window[1] + 12)], PAPER, width=4, opacity=0.5
    )
    canvas.stroke(
        [(window[0] + 14, window[1] + 54), (window[0] + 54, window[1] + 12)], PAPER, width=2, opacity=0.5
    )
    canvas.box(window, OUTLINE, radius=10, line=2.4)


def _label(canvas: Canvas, picture: Picture, box: Box, scale: int) -> None:
    x0, y0, x1, y1 = box
    close = scale > 2
    if close:
        canvas.shadow((x0 + 5, y0 + 8, x1 + 7, y1 + 10), radius=6, depth=20)
    canvas.box(box, PAPER, radius=5)
    band = y0 + (y1 - y0) * 0.2
    canvas.box((x0, y0, x1, band), BANDS[picture.seed % len(BANDS)], radius=5)
    canvas.box((x0, band - 6, x1, band), BANDS[picture.seed % len(BANDS)])
    canvas.text(x0 + 12, y0 + (band - y0) / 2 - 3.5 * scale, "PCM CASSETTE", PAPER, scale=scale)
    pitch = (y1 - band) / 4.6
    room = int((x1 - x0 - 20) / (6 * scale))
    for k in range(4):
        base = band + pitch * (k + 1)
        canvas.box((x0 + 10, base, x1 - 10, base + 1.2), (150, 160, 176), opacity=0.8)
        if k < len(picture.lines):
            canvas.text(x0 + 12, base - 8 * scale, picture.lines[k][:room], INK, scale=scale)
    if "water_mark" in picture.marks:
        canvas.stain(x0 + 0.66 * (x1 - x0), y0 + 0.62 * (y1 - y0), 0.34 * (x1 - x0), WATER, box, picture.seed)
    if "label_torn" in picture.marks:
        size = 0.4 * (x1 - x0)
        under: Colour = (190, 186, 172) if close else (112, 110, 106)
        edge = [
            (
                x1 - size * (1 - k / 6) + (0, 4, -3, 5, -2, 3, 0)[k],
                y1 - size * 0.62 * k / 6 + (0, -4, 2, 3, -4, 2, 0)[k],
            )
            for k in range(7)
        ]
        for k in range(60):
            t = k / 59 * 6
            i = min(int(t), 5)
            px = edge[i][0] + (edge[i + 1][0] - edge[i][0]) * (t - i)
            py = edge[i][1] + (edge[i + 1][1] - edge[i][1]) * (t - i)
            canvas.box((px, py, x1, y1), under)
        canvas.stroke(edge, (255, 252, 244), width=2 + scale / 2)
    canvas.box(box, OUTLINE, radius=5, line=1.8)
    if "dust" in picture.marks and close:
        _dust(canvas, box, picture.seed)


def _crack(canvas: Canvas, seed: int) -> None:
    """A jagged line from the upper right corner of the shell, with a side branch."""
    chance = np.random.PCG64(seed).random_raw(20) % 1000 / 1000.0 - 0.5
    points = [
        (654.0 - 17 * k + 9 * float(chance[k]), 46.0 + 7 * k + 13 * float(chance[k + 10])) for k in range(9)
    ]
    branch = [points[4], (points[4][0] + 4, points[4][1] + 22), (points[4][0] - 6, points[4][1] + 40)]
    for line, width in ((points, 5.0), (branch, 3.5)):
        canvas.stroke([(x + 1.5, y + 1.5) for x, y in line], (128, 132, 140), width=width * 0.8)
        canvas.stroke(line, (10, 10, 12), width=width * 0.6)


def _dust(canvas: Canvas, box: Box, seed: int) -> None:
    x0, y0, x1, y1 = box
    chance = np.random.PCG64(seed + 1).random_raw(3 * 90) % 1000 / 1000.0
    for a, b, c in chance.reshape(-1, 3):
        canvas.disc(x0 + a * (x1 - x0), y0 + b * (y1 - y0), 0.8 + 1.6 * c, (214, 208, 192), opacity=0.75)
