"""What is to be said once, after something was written, where the file system cannot sync a folder."""

from __future__ import annotations

from provpack.edge.commit import Disk, TellsUnsynced
from provpack.findings import Finding, Rule
from provpack.package.bagpaths import position, readable

FOLDER_NOT_SYNCED = Rule(
    id="place-folder-not-synced",
    severity="warning",
    title="The file system of what was written cannot make the names in a folder safe against a power cut",
    todo="What was written is complete. After a power cut soon after, look whether it is still there; or "
    "write to a disk of this machine, and copy from there.",
    reference="POSIX fsync",
)
RULES = (FOLDER_NOT_SYNCED,)


def not_synced(disk: Disk) -> tuple[Finding, ...]:
    """One finding, however many folders of this disk could not be synced; none where all could."""
    folders = disk.unsynced if isinstance(disk, TellsUnsynced) else ()
    return (told_not_synced(readable(str(folders[-1]))),) if folders else ()


def told_not_synced(shown: str) -> Finding:
    """The finding for a folder, as it is shown."""
    what = f"The file system of '{shown}' cannot sync a folder."
    return FOLDER_NOT_SYNCED.found(what, shown, position=position(shown))
