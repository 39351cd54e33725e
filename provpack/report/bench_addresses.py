"""The addresses that stand in the pages of the bench. An identifier may hold any character, `/`, `?` and `#`
too: every part is percent-encoded wholly (RFC 3986, section 2.1), only here and in after_address."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Final
from urllib.parse import quote

from provpack.jobs.benchview_files import after_address


def carrier_address(transfer_id: str) -> str:
    """The page of one carrier."""
    return f"/carrier/{quote(transfer_id, safe='')}"


def receipt_address(ids: Iterable[str] = ()) -> str:
    """The receipt for these carriers, for all that were taken in when none is named."""
    listed = ",".join(quote(one, safe="") for one in ids)
    return f"/receipt?ids={listed}" if listed else "/receipt"


def photo_address(path: str) -> str:
    """A photo that the job names; path: relative to the job folder."""
    return f"/photo/{quote(path, safe='/')}"


def sending_address(transfer_id: str, field: str) -> str:
    """Where a photo of that carrier is sent to."""
    return f"/photo/{quote(transfer_id, safe='')}/{field}"


def phone_address(transfer_id: str, field: str) -> str:
    """Where it is asked that a phone may send photos of that carrier."""
    return f"/phone/{quote(transfer_id, safe='')}/{field}"


def correct_back_address(transfer_id: str) -> str:
    """Where it is asked that a correction is taken back."""
    return f"/correct/{quote(transfer_id, safe='')}/back"


ADDRESSES: Final[Mapping[str, Callable[..., str]]] = {
    "after": after_address,
    "carrier": carrier_address,
    "receipt": receipt_address,
    "photo": photo_address,
    "sending": sending_address,
    "phone": phone_address,
    "correct_back": correct_back_address,
}
"""What templates have as `to`: `to.carrier(id)`."""
