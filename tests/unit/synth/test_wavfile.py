"""Received files, read by programs that know nothing of us: sox, ffprobe, libsndfile."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from provpack.synth.wavfile import CaptureNotes, WavForm, wav_bytes

Tool = Callable[[str], str]

NOTES = CaptureNotes(
    description="Side recording",
    originator="Larkfile 2.6",
    reference="LF-0001",
    date="2026-06-09",
    time="10:20:30",
    frames_since_midnight=(1 << 32) + 5,
    history=("A=PCM,F=44100,W=16,M=stereo,T=capture",),
    info=(("ICMT", "odd"), ("ISFT", "Larkfile 2.6")),
)
CODES = (np.arange(2 * 1001, dtype=np.int64).reshape(-1, 2) * 37 % 65536 - 32768).astype(np.int16)
FORMS = {
    "plain": WavForm(header_hz=44056),
    "wide": WavForm(header_hz=44100, bits=24),
    "noted": WavForm(header_hz=44100, notes=NOTES),
    "extensible": WavForm(header_hz=44056, extensible=True, valid_bits=16),
    "extensible24": WavForm(header_hz=44100, bits=24, extensible=True, valid_bits=24, notes=NOTES),
    "bare notes": WavForm(
        header_hz=44100,
        notes=CaptureNotes(
            description="",
            originator="",
            reference="",
            date="2026-06-09",
            time="00:00:00",
            frames_since_midnight=0,
        ),
    ),
}


def made(folder: Path, form: WavForm, codes: np.ndarray = CODES) -> Path:
    path = folder / "received.wav"
    path.write_bytes(b"".join(wav_bytes(form, len(codes), [codes[:400], codes[400:]])))
    return path


@pytest.mark.parametrize("name", FORMS)
def test_libsndfile_reads_the_same_samples(tmp_path: Path, name: str) -> None:
    form = FORMS[name]
    path = made(tmp_path, form)
    info = soundfile.info(str(path))
    assert (info.samplerate, info.frames, info.channels) == (form.header_hz, 1001, 2)
    assert info.subtype == f"PCM_{form.bits}"
    assert info.format == ("WAVEX" if form.extensible else "WAV")
    assert np.array_equal(soundfile.read(str(path), dtype="int16")[0], CODES)
    assert np.array_equal(soundfile.read(str(path), dtype="int32")[0], CODES.astype(np.int32) << 16)


@pytest.mark.parametrize("name", FORMS)
def test_sox_reads_the_same_samples(tmp_path: Path, name: str, tool: Tool) -> None:
    form = FORMS[name]
    path = made(tmp_path, form)
    sox = tool("sox")

    def soxi(flag: str) -> str:
        return subprocess.run(
            [sox, "--i", flag, path], capture_output=True, text=True, check=True
        ).stdout.strip()

    assert (soxi("-r"), soxi("-s"), soxi("-c")) == (str(form.header_hz), "1001", "2")
    raw = subprocess.run(
        [sox, "-D", path, "-t", "s16", "-L", "-"], capture_output=True, check=True, timeout=60
    ).stdout
    assert raw == CODES.astype("<i2").tobytes()


def test_ffprobe_reads_what_the_capture_program_wrote(tmp_path: Path, tool: Tool) -> None:
    path = made(tmp_path, FORMS["noted"])
    shown = subprocess.run(
        [
            tool("ffprobe"),
            "-v",
            "error",
            "-show_entries",
            "format_tags:stream=sample_rate",
            "-of",
            "flat",
            path,
        ],
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    ).stdout
    for line in (
        'format.tags.encoded_by="Larkfile 2.6"',
        'format.tags.originator_reference="LF-0001"',
        'format.tags.date="2026-06-09"',
        'format.tags.creation_time="10:20:30"',
        f'format.tags.time_reference="{(1 << 32) + 5}"',
        'streams.stream.0.sample_rate="44100"',
    ):
        assert line in shown
    assert 'coding_history="A=PCM,F=44100,W=16,M=stereo,T=capture' in shown


def test_an_odd_payload_is_padded(tmp_path: Path) -> None:
    """RIFF (1991): a pad byte after an odd chunk, not counted in its size. Three mono frames of 24 bits."""
    codes = np.array([[1], [-2], [300]], dtype=np.int16)
    data = b"".join(wav_bytes(WavForm(header_hz=44100, channels=1, bits=24), 3, [codes]))
    assert len(data) == 12 + 24 + 8 + 9 + 1
    assert int.from_bytes(data[4:8], "little") == len(data) - 8
    assert int.from_bytes(data[40:44], "little") == 9
    assert data[44:] == bytes.fromhex("000100 00feff 002c01 00")


def test_a_wrong_number_of_frames_is_not_passed_over() -> None:
    with pytest.raises(ValueError, match="says 5 frames, the samples were 1001"):
        list(wav_bytes(FORMS["plain"], 5, [CODES]))
