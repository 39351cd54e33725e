"""Values of a record in words, and the rows and tables the report is made of."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Literal

from provpack.package.figures import clock, moment_words, number
from provpack.package.readfirst_words import hertz
from provpack.report.html_fields import FIELD_KIND, SECTION_KIND, SECTIONS, TABLE_KIND, TABLES, Kind
from provpack.report.html_words import DOUBTFUL, NULLS, VOCABULARY_FIELDS, WORDS, label

Json = Mapping[str, Any]
Look = Literal["text", "code", "time"]
POSITIONS = frozenset(
    {"frame", "start", "end", "source_start", "source_end", "target_start", "target_end", "join_frame"}
)
UNITS = {
    "carrier_nominal_minutes": "minutes",
    "capture_word_length": "bits",
    "source_bit_depth": "bits",
    "container_bits": "bits",
    "temperature_c": "°C",
    "peak_dbfs": "dBFS",
    "dc_offset": "codes",
    "rms_dbfs": "dBFS",
    "true_peak_dbtp": "dBTP",
    "integrated_lufs": "LUFS",
    "range_lu": "LU",
    "max_momentary_lufs": "LUFS",
    "max_short_term_lufs": "LUFS",
    "max_true_peak_dbtp": "dBTP",
    "bandwidth_hz": "Hz",
    "hertz": "Hz",
    "field_frames": "frames",
    "period": "frames",
    "effective_bits": "bits",
    "value": "Hz",
    "value_samples": "samples",
    "length": "frames",
    "overlap_frames": "frames",
    "crossover_frames": "frames",
    "header_sampling_frequency_hz": "Hz",
}
LINES_MAX = 300  # of one table; the rest is in record.json
EDTF_SIGNS = {
    "?": "uncertain",
    "~": "approximate",
    "%": "uncertain and approximate",
    "X": "X stands for a digit nobody knows",
}
CODES = frozenset(
    {
        "sha256",
        "sha512",
        "audio_sha256",
        "original_sha256",
        "parent",
        "input_sha256",
        "output_sha256",
        "tagmanifest_sha512",
        "commitment_sha256",
        "roles",
        "path",
        "record_id",
        "channel_status_raw",
        "field",
        "rule",
        "file",
        "details",
        "output_path",
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One line of a table of facts. how says more about a derived value."""

    field: str
    label: str
    value: str
    kind: Kind
    look: Look
    how: str = ""
    doubtful: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """One value of a table of entries."""

    value: str
    look: Look


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table of entries with its caption; columns nobody filled are left out."""

    caption: str
    columns: tuple[str, ...]
    cells: tuple[tuple[Cell, ...], ...]
    kind: Kind
    more: int = 0


def edtf_words(value: str) -> str:
    """An EDTF date with its doubt in words (EDTF level 1)."""
    doubt = [said for sign, said in EDTF_SIGNS.items() if sign in value]
    return f"{value} ({', '.join(doubt)})" if doubt else value


def look_of(field: str, value: Any) -> Look:
    """Letter-for-letter type for digests and paths, unbroken lines for dates, ordinary text for the rest."""
    if field in CODES and value is not None:
        return "code"
    is_date = isinstance(value, str) and re.fullmatch(r"\d{4}-\d\d-\d\d(T.*)?", value) is not None
    return "time" if is_date and len(str(value)) < 40 else "text"


def span(seconds: float | Fraction) -> str:
    """A length of time as h:mm:ss.mmm, rounded to the nearest millisecond."""
    thousandths = round(Fraction(seconds) * 1000)
    return f"{clock(Fraction(thousandths, 1000))}.{thousandths % 1000:03}"


def position(frame: int, rate: Fraction | None) -> str:
    """A place in the audio as time and frame."""
    if rate is None:
        return f"frame {number(frame)}"
    seconds = Fraction(frame) / rate
    return f"{clock(seconds)}.{int(seconds * 1000) % 1000:03} (frame {number(frame)})"


def words(field: str, value: Any, rate: Fraction | None = None) -> str:
    """A value as a person reads it; never empty for a value that is there."""
    if value is None:
        return NULLS.get(field, "not known")
    if isinstance(value, bool):
        return "yes" if value else "no"
    if field in POSITIONS and isinstance(value, int):
        return position(value, rate)
    if field == "sampling_frequency" and isinstance(value, Mapping):
        return hertz(Fraction(int(value["num"]), int(value["den"])))
    if field == "duration_s" and isinstance(value, (int, float)):
        return f"{span(value)} ({number(float(value))} seconds)"
    if field == "recorded_date":
        return edtf_words(str(value))
    if field == "bytes" or field == "original_bytes":
        return f"{number(value)} bytes"
    if isinstance(value, Mapping):
        return "; ".join(f"{label(k).lower()}: {words(k, v, rate)}" for k, v in value.items())
    if isinstance(value, Sequence) and not isinstance(value, str):
        if not value:
            return "none"
        said = [words(field, v, rate) for v in value]
        return "; ".join(said) if any(isinstance(v, Mapping) for v in value) else ", ".join(said)
    unit = UNITS.get(field)
    if isinstance(value, (int, float)):
        one = value == 1 and unit in ("minutes", "bits", "codes")
        return f"{number(value)} {unit[:-1] if one and unit else unit}" if unit else number(value)
    if field not in VOCABULARY_FIELDS:
        return moment_words(str(value))
    return WORDS.get(str(value), str(value).replace("_", " "))


def derived_how(record: Json) -> dict[str, str]:
    """JSON pointer without its slash -> how the value was computed."""
    return {str(d.get("field", "")).lstrip("/"): str(d.get("how", "")) for d in record.get("derived") or ()}


def kind_of(pointer: str, how: Mapping[str, str]) -> Kind:
    """How a value is known: as this record says, else as the schema says."""
    if pointer in how:
        return "derived"
    section = pointer.rpartition("/")[0]
    return FIELD_KIND.get(pointer) or TABLE_KIND.get(section) or SECTION_KIND.get(section, "declared")


def is_doubtful(field: str, value: Any) -> bool:
    """Whether nobody knows, or nobody looked."""
    if isinstance(value, list):
        return any(is_doubtful(field, v) for v in value)
    return field in VOCABULARY_FIELDS and isinstance(value, str) and value in DOUBTFUL


def rows_of(record: Json, section: str, rate: Fraction | None, fields: Sequence[str] = ()) -> tuple[Row, ...]:
    """The filled fields of a section (or of the record itself, section "") as rows."""
    values: Any = record.get(section) if section else record
    if not isinstance(values, Mapping):
        return ()
    how = derived_how(record)
    out: list[Row] = []
    for field in fields or SECTIONS[section]:
        if field not in values:
            continue
        pointer = f"{section}/{field}" if section else field
        out.append(
            Row(
                field=field,
                label=label(field),
                value=words(field, values[field], rate),
                kind=kind_of(pointer, how),
                how=how.get(pointer, ""),
                look=look_of(field, values[field]),
                doubtful=is_doubtful(field, values[field]),
            )
        )
    return tuple(out)


def entries(record: Json, pointer: str) -> list[Json]:
    """The entries of a table; nothing when the record has none."""
    value: Any = record
    for key in pointer.split("/"):
        value = value.get(key) if isinstance(value, Mapping) else None
    return [entry for entry in value or () if isinstance(entry, Mapping)]


def table(record: Json, pointer: str, caption: str, rate: Fraction | None) -> Table | None:
    """A table of entries; None when there are none."""
    found = entries(record, pointer)
    columns = [c for c in TABLES[pointer] if any(c in entry for entry in found)]
    if not found or not columns:
        return None
    return Table(
        caption=caption,
        columns=tuple(label(c) for c in columns),
        cells=tuple(
            tuple(
                Cell(value=words(c, entry[c], rate), look=look_of(c, entry[c]))
                if c in entry
                else Cell(value="–", look="text")
                for c in columns
            )
            for entry in found[:LINES_MAX]
        ),
        kind=TABLE_KIND.get(pointer, "declared"),
        more=max(0, len(found) - LINES_MAX),
    )


def cards(
    record: Json, pointer: str, caption: Callable[[int, Json], str], rate: Fraction | None
) -> list[tuple[str, tuple[Row, ...]]]:
    """One table of facts per entry, for entries with many fields. caption makes a title from the number of
    the entry and its fields."""
    out: list[tuple[str, tuple[Row, ...]]] = []
    # A step the program noted about itself was stated by nobody. The values of a pass stand in the sheet.
    noted = derived_how(record) if pointer == "processing/processing_steps" else {}
    for n, entry in enumerate(entries(record, pointer), start=1):
        rows = tuple(
            Row(
                field=c,
                label=label(c),
                value=words(c, entry[c], rate),
                kind="derived" if f"{pointer}/{n - 1}" in noted else kind_of(f"{pointer}/{c}", {}),
                look=look_of(c, entry[c]),
                doubtful=is_doubtful(c, entry[c]),
            )
            for c in TABLES[pointer]
            if c in entry
        )
        out.append((caption(n, entry), rows))
    return out
