"""The door to soundfile (libsndfile): facts of audio containers that are not walked here, such as W64."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from provpack.chunks.source import ByteSource, SourceReader
from provpack.errors import EnvironmentProblem, InputProblem, ProvpackError

W64_MAGIC = bytes.fromhex("726966662E91CF11A5D628DB04C10000")
"""The GUID a W64 file starts with [from memory; as written by ffmpeg 5.1]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AudioFacts:
    """What libsndfile says; container and encoding in its own words."""

    container: str
    encoding: str
    sample_rate: int
    channels: int
    frames: int


class _Guarded(SourceReader):
    """Keeps exceptions away from libsndfile's callbacks, where Python could only print them.

    error: the first one, to be raised once the library has returned.
    """

    error: Exception | None = None

    def readinto(self, buffer: Any) -> int:
        try:
            return super().readinto(buffer)
        except Exception as err:
            self.error = self.error or err
            return 0

    def seek(self, offset: int, whence: int = 0) -> int:
        try:
            return super().seek(offset, whence)
        except OSError:
            return self.tell()


def read_audio_facts(source: ByteSource, name: str) -> AudioFacts:
    """The facts of any file libsndfile reads. Raises InputProblem when it refuses the file."""
    try:
        import soundfile
    except (ImportError, OSError):
        raise EnvironmentProblem(
            "soundfile-missing", "The file cannot be read: soundfile or libsndfile is not installed.",
            where=name, todo="Install soundfile into the same environment as provpack (Debian: libsndfile1).",
        ) from None  # fmt: skip
    reader = _Guarded(source)
    try:
        with soundfile.SoundFile(reader) as file:
            return AudioFacts(
                container=str(file.format_info),
                encoding=str(file.subtype_info),
                sample_rate=int(file.samplerate),
                channels=int(file.channels),
                frames=int(file.frames),
            )
    except (soundfile.SoundFileError, OSError, ValueError, TypeError) as err:
        if isinstance(reader.error, ProvpackError):
            raise reader.error from None
        raise InputProblem(
            "audio-unreadable", f"libsndfile does not read the file ({err}).", where=name,
            todo="Try another decoder, or ask for a good copy.",
        ) from None  # fmt: skip
