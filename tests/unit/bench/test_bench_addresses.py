"""Addresses in the pages: whatever an identifier holds, the page it leads to is that one's."""

from __future__ import annotations

from urllib.parse import urlsplit

import pytest

from provpack.bench.paths import parts_of_path
from provpack.report.bench_addresses import ADDRESSES

IDS = ("T/1 ä%?#", "T01", "a&b=c", "x,y;z", "..%2F..", "%41", '"><script>', "ö/Ж\u0301", "a+b")


@pytest.mark.parametrize("odd", IDS)
@pytest.mark.parametrize(
    ("name", "args", "before", "after"),
    [("after", (2,), ("after",), ("2",)), ("carrier", (), ("carrier",), ()),
     ("sending", ("photos",), ("photo",), ("photos",)), ("phone", ("photos",), ("phone",), ("photos",)),
     ("correct_back", (), ("correct",), ("back",))],
)  # fmt: skip
def test_every_part_comes_back_whole(
    odd: str, name: str, args: tuple[object, ...], before: tuple[str, ...], after: tuple[str, ...]
) -> None:
    address = urlsplit(ADDRESSES[name](odd, *args))
    assert (address.query, address.fragment, address.netloc) == ("", "", "")
    assert parts_of_path(address.path.encode("ascii")) == (*before, odd, *after)


def test_a_photo_keeps_the_parts_of_its_path() -> None:
    address = ADDRESSES["photo"]("photos/side 1?#%.png")
    assert parts_of_path(address.encode("ascii")) == ("photo", "photos", "side 1?#%.png")


def test_a_receipt_names_each_carrier_apart() -> None:
    assert ADDRESSES["receipt"]() == "/receipt"
    assert ADDRESSES["receipt"](["A,1", "B&2"]) == "/receipt?ids=A%2C1,B%262"
