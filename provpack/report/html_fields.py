"""Which fields of a record the report shows, in which order, and how each is known.

The lists follow schemas/transfer-record.schema.json; a test compares them property by property. No field is
left out.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Literal

Kind = Literal["declared", "measured", "derived"]

KIND_WORDS: Mapping[str, str] = MappingProxyType(
    {
        "declared": "stated by the people responsible",
        "measured": "read from the file by a program",
        "derived": "computed from the other two",
    }
)

# section of the record -> its single-valued fields in the order shown
SECTIONS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "item": ("client_item_id", "title", "recorded_date", "source_domain"),
        "carrier": (
            "carrier_id",
            "carrier_type",
            "carrier_type_note",
            "carrier_label_length",
            "carrier_nominal_minutes",
            "tape_speed_mode",
            "line_standard",
            "recording_format",
            "recording_format_note",
            "source_codec",
            "source_bit_depth",
            "carrier_stock",
            "label_transcription",
        ),
        "condition": (
            "condition_terms",
            "condition_note",
            "condition_assessed_at",
            "condition_photos",
            "condition_after",
            "condition_after_note",
        ),
        "deck": (
            "deck_id",
            "deck_make_model",
            "deck_serial",
            "deck_last_service",
            "dropout_compensator",
            "picture_processing",
            "picture_processing_note",
            "tracking_note",
        ),
        "decoder": (
            "decoder_id",
            "decoder_make_model",
            "decoder_serial",
            "decoder_mode",
            "emphasis_indicator",
            "copy_indicator",
            "error_indication",
            "digital_output",
            "digital_output_revision",
            "shared_converter",
            "shared_converter_note",
        ),
        "interface": (
            "interface_type",
            "interface_type_note",
            "interface_reason",
            "channel_status_raw",
            "cs_emphasis",
            "cs_emphasis_note",
            "cs_fs_code",
            "cs_copy",
        ),
        "capture": (
            "capture_device_id",
            "capture_input",
            "capture_device_make_model",
            "capture_device_serial",
            "clock_source",
            "src_in_path",
            "capture_software",
            "capture_word_length",
            "chain_id",
            "chain_check_id",
            "chain_check_at",
        ),
        "signal": (
            "sampling_frequency",
            "header_sampling_frequency_hz",
            "rate_label_note",
            "tape_emphasis",
            "tape_emphasis_evidence",
            "file_emphasis",
            "channel_use",
            "channel_use_note",
            "channel_polarity",
        ),
        "measured": (
            "frames",
            "duration_s",
            "channels",
            "container_bits",
            "effective_bits",
            "peak_dbfs",
            "dc_offset",
            "rms_dbfs",
            "true_peak_dbtp",
            "clipped_samples",
            "loudness",
            "bandwidth_hz",
            "event_counts",
            "events_left_out",
            "repetition",
            "channel_relation",
            "interchannel_delay",
            "line_pilot_hz",
            "tool",
            "version",
            "at",
            "details",
        ),
        "people": ("client", "transfer_organisation", "operator", "qc_by", "qc_note"),
        "rights": (
            "rights_basis",
            "access_restriction",
            "access_restriction_until",
            "personal_data",
            "personal_data_note",
        ),
        "retention": ("retention_until", "next_check_due"),
        "supersedes": ("record_id", "package_name", "tagmanifest_sha512", "reason"),
        "derived_from": ("record_id", "sha256", "audio_sha256", "agent", "audio_changed", "note"),
        "client_profile": ("name", "bagit_profile_identifier", "sha256"),
        "made_by": ("tool", "version", "at"),
    }
)

# fields of the record itself that stand on their own
TOP = ("record_id", "schema_version", "job_id", "transfer_id", "package_name", "outcome", "outcome_note")

# tables of entries: pointer in the record -> columns
TABLES: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "item/source_items": (
            "order",
            "client_item_id",
            "carrier_id",
            "record_id",
            "overlap_frames",
            "join_frame",
            "note",
        ),
        "item/programme_segments": ("start", "end", "title", "client_item_id", "note"),
        "signal/signal_state_ranges": ("start", "end", "emphasis", "mode", "evidence", "note"),
        "measured/digital_silence": ("start", "length"),
        "measured/events_detected": ("start", "length", "type", "channel", "confidence", "note"),
        "measured/emphasis_hints": ("kind", "strength", "figure", "unit", "frame", "words"),
        "measured/conversion_hints": (
            "kind",
            "strength",
            "hertz",
            "figure",
            "windows",
            "windows_able",
            "words",
        ),
        "processing/passes": (
            "n",
            "chain_id",
            "deck_id",
            "decoder_id",
            "capture_device_id",
            "capture_input",
            "line_standard",
            "sampling_frequency",
            "header_sampling_frequency_hz",
            "started_at",
            "stopped_at",
            "outcome",
            "reason",
            "file",
            "sha256",
            "note",
        ),
        "processing/assembly": ("pass_n", "source_start", "source_end", "target_start", "target_end", "note"),
        "processing/transfer_events": ("frame", "at", "type", "origin", "note"),
        "processing/processing_steps": (
            "type",
            "tool",
            "version",
            "agent",
            "at",
            "filter",
            "sampling_frequency",
            "ranges",
            "parameters",
            "input_sha256",
            "output_sha256",
            "output_path",
            "note",
        ),
        "condition/treatments": (
            "type",
            "start",
            "end",
            "temperature_c",
            "agent",
            "consent_by",
            "consent_at",
            "consent_ref",
            "note",
        ),
        "custody/custody_events": ("at", "type", "from", "to", "items", "signature_ref", "note"),
        "files": (
            "role",
            "path",
            "media_type",
            "bytes",
            "file_emphasis",
            "pass_n",
            "original_name",
            "original_bytes",
            "original_sha256",
            "parent",
            "audio_sha256",
            "sha256",
            "sha512",
            "note",
        ),
        "held_back": ("label", "roles", "commitment_sha256"),
        "derived": ("field", "from", "how"),
        "declared_in": ("path", "row", "sha256"),
        "waivers": ("rule", "reason", "by", "at"),
        "path_equipment": (
            "pass_n",
            "kind",
            "equipment_id",
            "make_model",
            "serial",
            "fitted_to",
            "took_part",
        ),
        "equipment_status": ("equipment_id", "status", "at", "by", "note"),
    }
)

# shown in a place of their own, by the view
ELSEWHERE = frozenset({"audio_sha256", "coding_history"})

# how a value is known: by field, by table, by section; everything else is stated by people
FIELD_KIND: Mapping[str, Kind] = MappingProxyType(
    {
        "record_id": "derived",
        "schema_version": "derived",
        "package_name": "derived",
        "signal/header_sampling_frequency_hz": "measured",
        "measured/duration_s": "derived",
        "measured/details": "derived",
        "supersedes/tagmanifest_sha512": "derived",
        "processing/passes/sha256": "derived",
        "processing/passes/header_sampling_frequency_hz": "measured",
        "processing/processing_steps/input_sha256": "derived",
        "processing/processing_steps/output_sha256": "derived",
        "client_profile/sha256": "derived",
        "files/original_name": "declared",
        "files/file_emphasis": "declared",
        "files/pass_n": "declared",
        "files/note": "declared",
    }
)
TABLE_KIND: Mapping[str, Kind] = MappingProxyType(
    {
        "measured/digital_silence": "measured",
        "measured/events_detected": "measured",
        "measured/emphasis_hints": "measured",
        "measured/conversion_hints": "measured",
        "files": "derived",
        "held_back": "derived",
        "derived": "derived",
        "declared_in": "derived",
        "path_equipment": "derived",
    }
)
SECTION_KIND: Mapping[str, Kind] = MappingProxyType({"measured": "measured", "made_by": "derived"})
