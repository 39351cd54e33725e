"""The door to soundfile (libsndfile): facts of audio containers that are not walked here, such as W64, and
the encoder of FLAC files."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from typing import Any, BinaryIO

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


def _library(what: str, name: str) -> Any:
    try:
        import soundfile
    except (ImportError, OSError):
        raise EnvironmentProblem(
            "soundfile-missing", f"{what}: soundfile or libsndfile is not installed.",
            where=name, todo="Install soundfile into the same environment as provpack (Debian: libsndfile1).",
        ) from None  # fmt: skip
    return soundfile


def read_audio_facts(source: ByteSource, name: str) -> AudioFacts:
    """The facts of any file libsndfile reads. Raises InputProblem when it refuses the file."""
    soundfile = _library("The file cannot be read", name)
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
            "audio-unreadable", f"The sound library (libsndfile) cannot read the file ({err}).", where=name,
            todo="Try another decoder, or ask for a good copy.",
        ) from None  # fmt: skip


class _GuardedOutput:
    """Takes what libsndfile writes; keeps exceptions away from its callbacks, as _Guarded does."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self.error: BaseException | None = None

    def write(self, data: Any) -> int:
        try:
            return 0 if self.error else self._file.write(data)
        except BaseException as err:
            self.error = err
            return 0

    def readinto(self, buffer: Any) -> int:
        return 0

    def seek(self, offset: int, whence: int = 0) -> int:
        try:
            return self._file.seek(offset, whence)
        except (OSError, ValueError) as err:
            self.error = self.error or err
            return -1

    def tell(self) -> int:
        try:
            return self._file.tell()
        except (OSError, ValueError) as err:
            self.error = self.error or err
            return -1


class FlacEncoder:
    """24-bit FLAC into a file that can be written anywhere (libFLAC goes back to its head at the end).

    Errors of the file come out of feed() and finish() as they were raised; InputProblem when libsndfile does
    not take the form of audio.
    """

    def __init__(self, file: BinaryIO, *, sample_rate: int, channels: int, name: str) -> None:
        self._library = _library("No FLAC file can be written", name)
        self._name = name
        self._output = _GuardedOutput(file)
        try:
            self._sound = self._library.SoundFile(
                self._output, "w", samplerate=sample_rate, channels=channels, format="FLAC", subtype="PCM_24"
            )
        except (self._library.SoundFileError, OSError, ValueError, TypeError) as err:
            self._raise(err)

    def feed(self, samples: bytes) -> None:
        """The next frames: interleaved little-endian 32-bit words, the 24 bits at the top."""
        try:
            self._sound.buffer_write(samples, dtype="int32")
        except (self._library.SoundFileError, OSError, AssertionError) as err:
            self._raise(err)
        self._check()

    def finish(self) -> None:
        """Write what is outstanding and complete the head."""
        try:
            self._sound.close()
        except (self._library.SoundFileError, OSError) as err:
            self._raise(err)
        self._check()

    def abandon(self) -> None:
        """Let go of a file that is not wanted any more; nothing if it was finished."""
        if not self._sound.closed:
            self._output.error = self._output.error or OSError("given up")
            with suppress(self._library.SoundFileError, OSError):
                self._sound.close()

    def _check(self) -> None:
        if self._output.error is not None:
            raise self._output.error

    def _raise(self, err: Exception) -> None:
        self._check()
        raise InputProblem(
            "flac-not-written", f"libsndfile does not write such a FLAC file ({err}).", where=self._name,
            todo="Ask for a WAV derivative instead.",
        ) from None  # fmt: skip
