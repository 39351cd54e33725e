"""Building one package in its staging folder: every byte written is digested on the way, once."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from provpack.edge.commit import Disk, Writer
from provpack.errors import Bug
from provpack.measure.digests import DIGESTS, Buffer, DigestSink
from provpack.measure.fanout import RunAll, Sink, Task
from provpack.package.bagwrite import build_manifest

# Heaviest first: SHA-512 costs about twice SHA-256 on processors with SHA instructions.
ALGORITHMS = ("sha512", "sha256")
"""Always written; a client may ask for more."""
PAYLOAD = "data/"


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """One file of the package: path inside it (`/`-separated), bytes, hex digests by algorithm."""

    path: str
    size: int
    digests: dict[str, str]


class StagedFile:
    """One new file of the package, digested while it is written."""

    def __init__(self, stage: Staging, path: str, writer: Writer) -> None:
        self._stage = stage
        self._path = path
        self._writer = writer
        self._sinks = tuple(DigestSink(a) for a in stage.algorithms)
        self.size = 0

    def write(self, data: Buffer) -> None:
        """Append bytes and digest them, one after the other."""
        for sink in self._sinks:
            sink.feed(data)
        self._writer.write(data)
        self.size += len(data)

    def write_with(self, data: memoryview, run_all: RunAll, sinks: Sequence[Sink], *extra: Task) -> None:
        """Append bytes while they are digested, measured (sinks) and whatever else (extra), in parallel."""
        # A digest lets go of the interpreter lock for the whole buffer, a measurement for a moment at a time:
        # two measurements side by side wait for each other, a measurement beside a digest does not. So the
        # first one, the heaviest, begins together with the digests, and the others even out the threads.
        measuring = [_feed(s, data) for s in sinks if not isinstance(s, DIGESTS)]
        digesting = [_feed(s, data) for s in (*self._sinks, *sinks) if isinstance(s, DIGESTS)]
        tasks: list[Task] = [*measuring[:1], *digesting, lambda: self._writer.write(data), *measuring[1:]]
        run_all([*extra, *tasks])
        self.size += len(data)

    def close(self) -> Written:
        """Sync, close, and note the file for the manifests."""
        self._writer.sync()
        self._writer.close()
        done = [s.finish() for s in self._sinks]
        if any(d.size != self.size for d in done):
            raise Bug("digest-short", "A digest missed bytes.", where=self._path, todo="Report this.")
        written = Written(path=self._path, size=self.size, digests={d.algorithm: d.hexdigest for d in done})
        self._stage.note(written)
        return written

    def abandon(self) -> None:
        """Close without noting; the staging folder is about to be discarded."""
        self._writer.close()


class Staging:
    """A package being built: folders made as needed, files noted, sealed by manifests and a rename."""

    def __init__(self, disk: Disk, folder: Path, algorithms: Sequence[str] = ALGORITHMS) -> None:
        self._disk = disk
        self.folder = folder
        self.algorithms = tuple(algorithms)
        self._folders: list[PurePosixPath] = []
        self._files: dict[str, Written] = {}

    def begin(self) -> None:
        """Make the folder; from here on discard() is due if anything goes wrong."""
        self._disk.make_folder(self.folder)

    @property
    def files(self) -> tuple[Written, ...]:
        """Files written so far, by path."""
        return tuple(self._files[p] for p in sorted(self._files))

    def note(self, written: Written) -> None:
        """Remember a finished file."""
        self._files[written.path] = written

    def new_file(self, path: str) -> StagedFile:
        """Start a file of the package."""
        if path in self._files:
            raise Bug("written-twice", "A file of the package was to be written twice.", where=path,
                      todo="Report this.")  # fmt: skip
        for parent in reversed(PurePosixPath(path).parents[:-1]):
            if parent not in self._folders:
                self._disk.make_folder(self.folder / parent)
                self._folders.append(parent)
        return StagedFile(self, path, self._disk.create(self.folder / path))

    def add(self, path: str, parts: bytes | Iterable[bytes]) -> Written:
        """Write a whole file."""
        staged = self.new_file(path)
        try:
            for part in [parts] if isinstance(parts, bytes) else parts:
                staged.write(part)
        except BaseException:
            staged.abandon()
            raise
        return staged.close()

    def add_manifests(self, kind: str, wanted: Callable[[str], bool]) -> dict[str, bytes]:
        """Write `<kind>-<algorithm>.txt` for each algorithm over the files whose path is wanted.

        Returns their bytes by name.
        """
        listed = [w for w in self.files if wanted(w.path)]
        out = {
            f"{kind}-{algorithm}.txt": build_manifest((w.path, w.digests[algorithm]) for w in listed)
            for algorithm in sorted(self.algorithms)
        }
        for name, data in out.items():
            self.add(name, data)
        return out

    def seal(self, final: Path) -> None:
        """Sync every folder, deepest first, rename, sync the parent: the commit."""
        for folder in sorted(self._folders, key=lambda f: len(f.parts), reverse=True):
            self._disk.sync_folder(self.folder / folder)
        self._disk.sync_folder(self.folder)
        self._disk.rename(self.folder, final)
        self._disk.sync_folder(final.parent)

    def discard(self) -> None:
        """Take the staging folder away, as far as possible."""
        self._disk.discard(self.folder)


def _feed(sink: Sink, data: memoryview) -> Task:
    return lambda: sink.feed(data)
