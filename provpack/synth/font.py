"""A small bitmap font, five dots wide and seven high, for labels and cards in the drawn photographs."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

WIDTH, HEIGHT, ADVANCE = 5, 7, 6

# One string of seven rows per character; each row is five bits, written as a two-digit hexadecimal number.
_ROWS = {
    "A": "0E11111F111111", "B": "1E11111E11111E", "C": "0E11101010110E", "D": "1C12111111121C",
    "E": "1F10101E10101F", "F": "1F10101E101010", "G": "0E11101713110F", "H": "1111111F111111",
    "I": "0E04040404040E", "J": "0702020202120C", "K": "11121418141211", "L": "1010101010101F",
    "M": "111B1515111111", "N": "11191513111111", "O": "0E11111111110E", "P": "1E11111E101010",
    "Q": "0E11111115120D", "R": "1E11111E141211", "S": "0F10100E01011E", "T": "1F040404040404",
    "U": "1111111111110E", "V": "11111111110A04", "W": "1111111515150A", "X": "11110A040A1111",
    "Y": "11110A04040404", "Z": "1F01020408101F", "0": "0E11131519110E", "1": "040C040404040E",
    "2": "0E11010204081F", "3": "1F02040201110E", "4": "02060A121F0202", "5": "1F101E0101110E",
    "6": "0608101E11110E", "7": "1F010204080808", "8": "0E11110E11110E", "9": "0E11110F01020C",
    " ": "00000000000000", ".": "00000000000C0C", ",": "00000000000C08", "-": "0000001F000000",
    "/": "00010204081000", ":": "000C0C000C0C00", "(": "02040808080402", ")": "08040202020408",
    "'": "0C040800000000", "+": "0004041F040400", "?": "0E110102040004", "&": "0C12140815120D",
    "#": "0A0A1F0A1F0A0A", "=": "00001F001F0000", "!": "04040404040004",
}  # fmt: skip


def set_text(text: str) -> NDArray[np.bool_]:
    """The text as dots, shape (7, 6 x characters - 1); lower case becomes capitals, unknown signs '?'."""
    dots = np.zeros((HEIGHT, max(1, ADVANCE * len(text) - 1)), dtype=np.bool_)
    for k, sign in enumerate(text.upper()):
        rows = _ROWS.get(sign, _ROWS["?"])
        for y in range(HEIGHT):
            bits = int(rows[2 * y : 2 * y + 2], 16)
            for x in range(WIDTH):
                dots[y, ADVANCE * k + x] = bool(bits & (1 << (WIDTH - 1 - x)))
    return dots
