"""The demo's job folder: sheets as they are shipped, tapes and photographs made on the spot."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Iterable, Mapping
from fractions import Fraction
from typing import TYPE_CHECKING, Any, TypeVar

from provpack.errors import InputProblem

if TYPE_CHECKING:
    from provpack.synth.faults import Faults
    from provpack.synth.photo import Picture
    from provpack.synth.tape import TapePlan
    from provpack.synth.wavfile import WavForm

Write = Callable[[str, Iterable[bytes]], None]
"""Write one new file: its name relative to the job folder (`/`-separated), its bytes in pieces."""

RECIPE = "tapes.toml"
T = TypeVar("T")


def make_demo_job(write: Write, data: Mapping[str, bytes]) -> list[str]:
    """Lay out the job folder of the demo through `write`; the names written, in order.

    data: the shipped files by name (provpack/edge/demodata.py). All but tapes.toml are written as they are;
    tapes.toml says which tapes and photographs to make. Memory stays flat: audio goes out block by block.
    InputProblem when tapes.toml is missing or cannot be followed.
    """
    recipe = _recipe(data)
    written: list[str] = []
    for name in sorted(data):
        if name != RECIPE:
            write(name, (data[name],))
            written.append(name)
    for entry in recipe.get("photo", []):
        written.append(_photo(write, entry))
    for entry in recipe.get("tape", []):
        written.append(_tape(write, entry))
    return written


def _recipe(data: Mapping[str, bytes]) -> dict[str, Any]:
    try:
        return tomllib.loads(data[RECIPE].decode("utf-8"))
    except KeyError:
        raise _refused("it is not there", "the demo data") from None
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as e:
        raise _refused(str(e), RECIPE) from e


def _refused(why: str, where: str) -> InputProblem:
    return InputProblem(
        "demo-recipe",
        f"The recipe of the demo tapes cannot be followed: {why}",
        where=where,
        todo="Use the tapes.toml that was shipped, or correct the entry named.",
    )


def _photo(write: Write, entry: dict[str, Any]) -> str:
    from provpack.synth.photo import draw

    name, picture = _named(entry, _picture)
    write(name, (draw(picture),))
    return name


def _tape(write: Write, entry: dict[str, Any]) -> str:
    from provpack.synth.faults import spoil
    from provpack.synth.music import VOICES, Piece, render
    from provpack.synth.tape import record
    from provpack.synth.wavfile import wav_bytes

    def understood(e: dict[str, Any]) -> tuple[TapePlan, Faults, WavForm, tuple[Piece, ...], int]:
        faults = _faults(e)
        plan = _plan(e)
        pieces = tuple(Piece(**{**p, "voices": tuple(p.get("voices", VOICES))}) for p in e.pop("piece", []))
        frames = int(e.pop("frames"))
        form = _form(e)
        return plan, faults, form, pieces, frames

    name, (plan, faults, form, pieces, frames) = _named(entry, understood)
    sound = render(pieces, sampling_frequency=plan.sampling_frequency, frames=frames)
    write(name, wav_bytes(form, frames, spoil(faults, record(plan, sound))))
    return name


def _named(entry: dict[str, Any], understood: Callable[[dict[str, Any]], T]) -> tuple[str, T]:
    """The file name of an entry and what the rest of it means; every misunderstanding names the file."""
    rest = dict(entry)
    name = str(rest.pop("file", ""))
    try:
        return name, understood(rest)
    except (KeyError, TypeError, ValueError, ZeroDivisionError) as e:
        raise _refused(f"{type(e).__name__}: {e}", f"{RECIPE}, {name or 'an entry without file'}") from e


def _picture(e: dict[str, Any]) -> Picture:
    from provpack.synth.photo import Picture

    return Picture(**{**e, "lines": tuple(e["lines"]), "marks": tuple(e.get("marks", ()))})


def _plan(e: dict[str, Any]) -> TapePlan:
    """The recording and its losses; the keys used are taken out of the entry."""
    from provpack.synth.tape import EmphasisChange, Span, TapePlan

    def spans(key: str) -> tuple[Span, ...]:
        return tuple(Span(start=start, length=length) for start, length in e.pop(key, []))

    left, right = e.pop("dc_offset", (0.0, 0.0))
    return TapePlan(
        sampling_frequency=Fraction(*e.pop("sampling_frequency")),
        bits=e.pop("bits"),
        emphasis=tuple(EmphasisChange(frame=frame, on=on) for frame, on in e.pop("emphasis", [])),
        skew=e.pop("skew", True),
        dc_offset=(float(left), float(right)),
        noise=float(e.pop("noise", 1.0)),
        hiss=float(e.pop("hiss", 0.0)),
        seed=e.pop("seed"),
        leader=e.pop("leader", 0),
        mutes=spans("mutes"),
        holds=spans("holds"),
        interpolated=spans("interpolated"),
    )


def _faults(e: dict[str, Any]) -> Faults:
    """What a bad chain has done to it: the optional table `faults`."""
    from provpack.synth.faults import Faults, Head, Whistle
    from provpack.synth.tape import Span

    given = dict(e.pop("faults", {}))
    kinds: dict[str, Any] = {"whistle": Whistle, "head": Head, "sixteen": Span}
    made = {key: kind(**given.pop(key)) for key, kind in kinds.items() if key in given}
    known = {"bits": e["bits"], "header_hz": e["header_hz"], "seed": e["seed"], "leader": e.get("leader", 0)}
    return Faults(**known, **made, **given)


def _form(e: dict[str, Any]) -> WavForm:
    """The file around the samples: whatever keys are left must be its own."""
    from provpack.synth.wavfile import CaptureNotes, WavForm

    notes = e.pop("notes", None)
    if notes is not None:
        notes = CaptureNotes(
            **{
                **notes,
                "history": tuple(notes.get("history", ())),
                "info": tuple((tag, text) for tag, text in notes.get("info", [])),
            }
        )
    return WavForm(bits=e.pop("container_bits", 16), **e, notes=notes)
