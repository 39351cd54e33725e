"""The closed vocabularies of the record, as tuples in the order of the schema.

The schema (`schemas/fields.schema.json`) is the law and says what each value means; a test keeps these equal
to it. Three honest answers are never merged: unknown = nobody knows, not_observed = it was there and nobody
looked, not_fitted = the equipment cannot show it.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

# One vocabulary per paragraph instead of one word per line.
# fmt: off
OUTCOME: Final[tuple[str, ...]] = (
    "complete", "clean", "partial", "stopped_for_safety", "no_pcm_found", "failed"
)
SOURCE_DOMAIN: Final[tuple[str, ...]] = ("digital_tape", "digital_disc", "analogue", "unknown")
CARRIER_TYPE: Final[tuple[str, ...]] = (
    "betamax", "vhs", "s_vhs", "u_matic", "video8", "hi8", "digital8", "eiaj_open_reel", "mii", "betacam",
    "dat", "compact_cassette", "open_reel_audio", "minidisc", "cd", "cd_r", "other", "unknown"
)
TAPE_SPEED_MODE: Final[tuple[str, ...]] = ("sp", "lp", "ep", "b1", "b2", "b3", "unknown")
LINE_STANDARD: Final[tuple[str, ...]] = ("525_5994", "525_60", "625_50", "unknown")
RECORDING_FORMAT: Final[tuple[str, ...]] = (
    "eiaj_14", "ext_16", "pcm1_13", "pcm16x0", "pcm_8mm", "dat", "adat", "dtrs", "md", "cd", "hifi_fm",
    "other", "none_found", "unknown"
)
SOURCE_BIT_DEPTH: Final[tuple[int | str, ...]] = (8, 12, 13, 14, 16, 20, 24, "not_applicable", "unknown")
CONDITION_TERM: Final[tuple[str, ...]] = (
    "good", "pack_uneven", "edge_damage", "crease", "stretched", "splice", "leader_detached",
    "shell_cracked", "door_damaged", "pressure_pad_missing", "slip_sheet_damage", "residue", "sticky",
    "squeal", "lubricant_loss", "oxide_loss", "mould_suspected", "mould_active", "dust", "water_mark",
    "smoke", "odour_vinegar", "odour_other", "label_lost", "record_tab_present", "not_observed", "other",
    "unknown"
)
TREATMENT_TYPE: Final[tuple[str, ...]] = (
    "cleaning", "baking", "drying", "acclimatisation", "respooling", "rehousing", "splice_repair",
    "leader_repair", "shell_repair", "mould_treatment", "other"
)
DROPOUT_COMPENSATOR: Final[tuple[str, ...]] = ("off", "on", "not_present", "not_observed", "unknown")
PICTURE_PROCESS: Final[tuple[str, ...]] = ("nr", "hq", "tbc", "sharpen", "other", "not_observed", "unknown")
DECODER_MODE: Final[tuple[str, ...]] = ("auto", "14", "16", "not_fitted", "not_observed", "unknown")
EMPHASIS_INDICATOR: Final[tuple[str, ...]] = ("on", "off", "changed", "not_fitted", "not_observed", "unknown")
COPY_INDICATOR: Final[tuple[str, ...]] = ("on", "off", "changed", "not_fitted", "not_observed", "unknown")
ERROR_INDICATION: Final[tuple[str, ...]] = (
    "none_seen", "some", "many", "not_fitted", "not_observed", "unknown"
)
DIGITAL_OUTPUT: Final[tuple[str, ...]] = ("factory", "aftermarket", "none", "unknown")
SHARED_CONVERTER: Final[tuple[str, ...]] = ("yes", "no", "unknown")
INTERFACE_TYPE: Final[tuple[str, ...]] = (
    "iec60958_coax", "iec60958_optical", "aes3", "tdif", "lightpipe", "analogue", "data_extraction", "other"
)
CS_EMPHASIS: Final[tuple[str, ...]] = (
    "none_or_not_indicated", "not_indicated", "none", "50_15", "j17", "not_read"
)
CS_FS_CODE: Final[tuple[str, ...]] = ("44100", "48000", "32000", "not_indicated", "not_read")
CS_COPY: Final[tuple[str, ...]] = ("permitted", "asserted", "not_read")
CLOCK_SOURCE: Final[tuple[str, ...]] = ("source", "word_clock", "internal", "not_applicable", "unknown")
SRC_IN_PATH: Final[tuple[str, ...]] = ("no", "yes", "unknown")
CAPTURE_WORD_LENGTH: Final[tuple[int, ...]] = (16, 20, 24, 32)
TAPE_EMPHASIS: Final[tuple[str, ...]] = ("on", "off", "mixed", "unknown", "not_applicable")
EMPHASIS_EVIDENCE: Final[tuple[str, ...]] = (
    "control_bit", "indicator", "channel_status", "subcode", "client_note", "audio_hint"
)
FILE_EMPHASIS: Final[tuple[str, ...]] = ("present", "removed", "absent", "mixed", "unknown")
RANGE_EMPHASIS: Final[tuple[str, ...]] = ("on", "off", "unknown")
RANGE_MODE: Final[tuple[str, ...]] = ("14", "16", "unknown")
CHANNEL_USE: Final[tuple[str, ...]] = (
    "mono", "dual_mono", "stereo", "two_independent", "left_only", "right_only", "multitrack", "other",
    "unknown"
)
CHANNEL_POLARITY: Final[tuple[str, ...]] = ("normal", "inverted_l", "inverted_r", "both", "unknown")
STEP_TYPE: Final[tuple[str, ...]] = (
    "metadata_modification", "container_change", "relabel", "decoder_deemphasis", "deemphasis", "deskew",
    "resample", "word_length_change", "dither", "gain", "trim", "edit", "join", "channel_swap",
    "polarity_inversion", "dc_removal", "restoration", "encoding", "other"
)
PASS_OUTCOME: Final[tuple[str, ...]] = (
    "complete", "partial", "stopped_for_safety", "no_pcm_found", "failed", "unknown"
)
TRANSFER_EVENT_TYPE: Final[tuple[str, ...]] = (
    "capture_start", "capture_stop", "error_lamp", "interpolation_seen", "hold", "mute", "unlock", "relock",
    "tracking_adjust", "head_clog", "stop_cleaned", "emphasis_on", "emphasis_off", "copy_flag", "mode_14",
    "mode_16", "standard_change", "speech_slate", "programme_start", "programme_end", "join", "silence",
    "operator_note"
)
EVENT_ORIGIN: Final[tuple[str, ...]] = ("seen", "measured")
CUSTODY_EVENT_TYPE: Final[tuple[str, ...]] = (
    "received", "moved", "handed_over", "returned", "retained", "destroyed", "other"
)
RIGHTS_BASIS: Final[tuple[str, ...]] = ("owner", "licensed", "statutory", "public_domain", "unknown")
PERSONAL_DATA: Final[tuple[bool | str, ...]] = (True, False, "unknown")
YES_NO_UNKNOWN: Final[tuple[str, ...]] = ("yes", "no", "unknown")
SUSPICION: Final[tuple[str, ...]] = ("suspect", "cleared")
FILE_ROLE: Final[tuple[str, ...]] = (
    "master", "derivative", "pass", "photo", "label_scan", "document", "log", "sidecar", "metadata",
    "report"
)
DETECTED_EVENT_TYPE: Final[tuple[str, ...]] = (
    "mute", "hold", "interpolation", "unlock", "click", "clipped_run", "digital_silence", "other"
)
CHANNEL_RELATION: Final[tuple[str, ...]] = (
    "mono", "stereo", "dual_mono", "inverted", "one_silent", "skewed", "multichannel", "undetermined",
    "not_measured"
)
PASS_RELATION: Final = ("identical", "differ_in_places", "differ_everywhere", "undetermined")
PASS_ALIGNMENT: Final = ("samples", "assumed", "sound", "none")
PASS_DIFFERENCE: Final = ("differing", "only")
PASS_SIGN: Final = ("muted", "held", "interpolated", "smooth", "repeated", "break")
PILOT_VERDICT: Final[tuple[str, ...]] = ("consistent", "against", "no_pilot")
DAMAGE_PATTERN: Final = ("one_head", "every_field", "none", "too_few_events")
EMPHASIS_HINT_KIND: Final = ("word_length", "pause_floor", "long_term_tilt", "tilt_step")
CONVERSION_HINT_KIND: Final = ("lower_wall", "top_wall", "images")
HINT_STRENGTH: Final = ("weak", "moderate")
INTERLEAVE_MARK: Final = ("interpolation", "hold", "mute")
MARK_VERDICT: Final = ("found", "none_found", "not_applicable_here")
EQUIPMENT_KIND: Final[tuple[str, ...]] = (
    "deck", "decoder", "digital_output_board", "interface", "capture_device", "converter", "clock",
    "computer", "cable", "firmware", "other"
)
CHECK_OUTCOME: Final[tuple[str, ...]] = ("passed", "failed")
SEVERITY: Final[tuple[str, ...]] = ("error", "warning", "note")
CHECK_DEPTH: Final[tuple[str, ...]] = ("listed", "bytes", "meaning")
LEDGER_OUTCOME: Final[tuple[str, ...]] = (
    "good", "bad", "missing", "could_not_check", "done", "refused", "accepted", "accepted_with_remarks"
)
SIGNATURE_STATE: Final[tuple[str, ...]] = (
    "valid", "unvouched", "foreign", "expired", "wrong", "missing", "could_not_check"
)
DEMANDS_STATE: Final[tuple[str, ...]] = ("met", "not_met", "not_asked", "could_not_check")
DELIVERY_FORM: Final[tuple[str, ...]] = ("folder", "tar", "zip")
RECEIPT_CONCLUSION: Final[tuple[str, ...]] = ("accepted", "accepted_with_remarks", "refused")
MANIFEST_ALGORITHM: Final[tuple[str, ...]] = ("md5", "sha1", "sha256", "sha384", "sha512")
DERIVATIVE_KIND: Final[tuple[str, ...]] = ("deemphasis", "deskew")
DERIVATIVE_CONTAINER: Final[tuple[str, ...]] = ("wav", "flac")
BENCH_KIND: Final[tuple[str, ...]] = (
    "taken_in", "declared", "pass_started", "pass_stopped", "event", "noted", "file_attached",
    "file_detached", "judged", "taken_back"
)
BENCH_SCOPE: Final[tuple[str, ...]] = ("job", "defaults", "chain", "transfer", "equipment")
BENCH_WAY: Final[tuple[str, ...]] = ("page", "command_line")
FILE_START_BASIS: Final[tuple[str, ...]] = ("modified_time", "bext", "stated", "pass_start", "not_known")
FILE_FIT: Final[tuple[str, ...]] = ("agrees", "disagrees", "not_known")
FILE_ATTACHED_BY: Final[tuple[str, ...]] = ("agreement", "person")
PASS_VERDICT: Final[tuple[str, ...]] = ("accepted", "redo")
# fmt: on

VOCABULARIES: Final[Mapping[str, tuple[object, ...]]] = MappingProxyType(
    {
        "outcome": OUTCOME,
        "source_domain": SOURCE_DOMAIN,
        "carrier_type": CARRIER_TYPE,
        "tape_speed_mode": TAPE_SPEED_MODE,
        "line_standard": LINE_STANDARD,
        "recording_format": RECORDING_FORMAT,
        "source_bit_depth": SOURCE_BIT_DEPTH,
        "condition_term": CONDITION_TERM,
        "treatment_type": TREATMENT_TYPE,
        "dropout_compensator": DROPOUT_COMPENSATOR,
        "picture_process": PICTURE_PROCESS,
        "decoder_mode": DECODER_MODE,
        "emphasis_indicator": EMPHASIS_INDICATOR,
        "copy_indicator": COPY_INDICATOR,
        "error_indication": ERROR_INDICATION,
        "digital_output": DIGITAL_OUTPUT,
        "shared_converter": SHARED_CONVERTER,
        "interface_type": INTERFACE_TYPE,
        "cs_emphasis": CS_EMPHASIS,
        "cs_fs_code": CS_FS_CODE,
        "cs_copy": CS_COPY,
        "clock_source": CLOCK_SOURCE,
        "src_in_path": SRC_IN_PATH,
        "capture_word_length": CAPTURE_WORD_LENGTH,
        "tape_emphasis": TAPE_EMPHASIS,
        "emphasis_evidence": EMPHASIS_EVIDENCE,
        "file_emphasis": FILE_EMPHASIS,
        "range_emphasis": RANGE_EMPHASIS,
        "range_mode": RANGE_MODE,
        "channel_use": CHANNEL_USE,
        "channel_polarity": CHANNEL_POLARITY,
        "step_type": STEP_TYPE,
        "pass_outcome": PASS_OUTCOME,
        "transfer_event_type": TRANSFER_EVENT_TYPE,
        "event_origin": EVENT_ORIGIN,
        "custody_event_type": CUSTODY_EVENT_TYPE,
        "rights_basis": RIGHTS_BASIS,
        "personal_data": PERSONAL_DATA,
        "yes_no_unknown": YES_NO_UNKNOWN,
        "suspicion": SUSPICION,
        "file_role": FILE_ROLE,
        "detected_event_type": DETECTED_EVENT_TYPE,
        "channel_relation": CHANNEL_RELATION,
        "pass_relation": PASS_RELATION,
        "pass_alignment": PASS_ALIGNMENT,
        "pass_difference": PASS_DIFFERENCE,
        "pass_sign": PASS_SIGN,
        "pilot_verdict": PILOT_VERDICT,
        "damage_pattern": DAMAGE_PATTERN,
        "emphasis_hint_kind": EMPHASIS_HINT_KIND,
        "conversion_hint_kind": CONVERSION_HINT_KIND,
        "hint_strength": HINT_STRENGTH,
        "interleave_mark": INTERLEAVE_MARK,
        "mark_verdict": MARK_VERDICT,
        "equipment_kind": EQUIPMENT_KIND,
        "check_outcome": CHECK_OUTCOME,
        "severity": SEVERITY,
        "check_depth": CHECK_DEPTH,
        "ledger_outcome": LEDGER_OUTCOME,
        "signature_state": SIGNATURE_STATE,
        "demands_state": DEMANDS_STATE,
        "delivery_form": DELIVERY_FORM,
        "receipt_conclusion": RECEIPT_CONCLUSION,
        "manifest_algorithm": MANIFEST_ALGORITHM,
        "derivative_kind": DERIVATIVE_KIND,
        "derivative_container": DERIVATIVE_CONTAINER,
        "bench_kind": BENCH_KIND,
        "bench_scope": BENCH_SCOPE,
        "bench_way": BENCH_WAY,
        "file_start_basis": FILE_START_BASIS,
        "file_fit": FILE_FIT,
        "file_attached_by": FILE_ATTACHED_BY,
        "pass_verdict": PASS_VERDICT,
    }
)
"""Every vocabulary by the name of its definition in the schema."""
