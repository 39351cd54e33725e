"""What bag-info.txt tells of a bag, ours or a stranger's: the reserved elements of RFC 8493 section 2.2.2."""

from __future__ import annotations

from provpack.jobs.harvestrecord import Facts
from provpack.jobs.harvestwords import LONGEST_TEXT, moment, text
from provpack.package.baginfo import BagInfo

_NOTES = (
    "External-Description", "Internal-Sender-Description", "External-Identifier",
    "Internal-Sender-Identifier", "Bag-Group-Identifier",
)  # fmt: skip


def bag_facts(info: BagInfo | None) -> Facts:
    """Members of catalogue.values.Package, as declared there.

    Source-Organization is the nearest to a client, External-Description to a title, External-Identifier to
    the client's own number. Names, telephone numbers and addresses of persons are not taken over.
    """
    if info is None:
        return {}
    notes = "\n".join(dict.fromkeys(value for label in _NOTES for value in info.values(label)))
    return {
        "client": _first(info, "Source-Organization"),
        "title": _first(info, "External-Description"),
        "client_item_id": _first(info, "External-Identifier"),
        "made_at": moment((info.values("Bagging-Date") or ("",))[0]),
        "notes": text(notes, LONGEST_TEXT),
    }


def own_bag_facts(info: BagInfo | None) -> Facts:
    """The same of a package of ours, where the elements are known to repeat fields of its record
    (package/owninfo.py). Source-Organization is then the house that made the transfer, not its client."""
    if info is None:
        return {}
    number = _first(info, "External-Identifier") or ""
    return {
        "title": _first(info, "External-Description"),
        "job_id": _first(info, "Bag-Group-Identifier"),
        "transfer_id": _first(info, "Internal-Sender-Identifier"),
        "record_id": number.removeprefix("urn:uuid:") or None,
        "made_at": moment((info.values("Bagging-Date") or ("",))[0]),
    }


def _first(info: BagInfo, label: str) -> str | None:
    """The first value of an element, folded lines joined."""
    return next((said for value in info.values(label) if (said := text(" ".join(value.split())))), None)
