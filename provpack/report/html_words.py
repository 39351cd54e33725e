"""Plain words of the report: what a word of a closed list means. What a field is called: model/labels.py."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from provpack.model.labels import LABELS as LABELS
from provpack.model.labels import label as label

# words of the record that do not read as plain language by themselves; by field where they depend on it
WORDS: Mapping[str, str] = MappingProxyType(
    {
        "unknown": "unknown (nobody knows)",
        "not_observed": "not observed (it was there and nobody looked)",
        "not_fitted": "not fitted (the equipment cannot show it)",
        "not_applicable": "does not apply",
        "525_5994": "525 lines, 59.94 fields a second",
        "525_60": "525 lines, 60 fields a second",
        "625_50": "625 lines, 50 fields a second",
        "eiaj_14": "EIAJ STC-007, 14 bits",
        "ext_16": "EIAJ STC-007 line, 16-bit extension",
        "pcm1_13": "first-generation adaptor, 13 bits",
        "pcm16x0": "CD-master processor on U-matic",
        "pcm_8mm": "8 mm PCM",
        "hifi_fm": "FM hi-fi of a video recorder (analogue)",
        "none_found": "none found",
        "dat": "DAT",
        "adat": "ADAT",
        "dtrs": "DTRS",
        "md": "MiniDisc",
        "cd": "CD",
        "cd_r": "CD-R",
        "vhs": "VHS",
        "s_vhs": "S-VHS",
        "u_matic": "U-matic",
        "betamax": "Betamax",
        "iec60958_coax": "IEC 60958, coaxial",
        "iec60958_optical": "IEC 60958, optical",
        "aes3": "AES3",
        "tdif": "TDIF",
        "50_15": "50/15 microseconds",
        "none_or_not_indicated": "none or not indicated (the code does not tell them apart)",
        "asserted": "copyright asserted",
        "no_pcm_found": "no digital audio found",
        "44100": "44 100 Hz",
        "48000": "48 000 Hz",
        "32000": "32 000 Hz",
        "source": "the signal itself",
        "sp": "SP",
        "lp": "LP",
        "ep": "EP",
        "b1": "speed I",
        "b2": "speed II",
        "b3": "speed III",
        "deemphasis": "de-emphasis",
        "decoder_deemphasis": "de-emphasis in the analogue output of the decoder",
        "dc_removal": "DC removal",
        "factory": "fitted by its maker",
        "aftermarket": "added later",
        "14": "14 bits",
        "16": "16 bits",
        "nr": "noise reduction",
        "hq": "picture-quality circuit",
        "tbc": "time-base corrector",
        "clipped_run": "clipped run",
        "digital_silence": "digital silence",
        "one_head": "every second field, as from one bad head",
        "every_field": "every field",
        "too_few_events": "too few events to tell",
        "word_length": "word length",
        "pause_floor": "noise floor in pauses",
        "long_term_tilt": "tilt of the spectrum",
        "tilt_step": "step in the tilt of the spectrum",
        "lower_wall": "edge under 19 kHz",
        "top_wall": "edge from 19 kHz on",
        "images": "mirrored sound",
    }
)
DOUBTFUL = frozenset({"unknown", "not_observed"})

# fields whose value is a word of a closed list; every other text is shown letter for letter
VOCABULARY_FIELDS = frozenset(
    """audio_changed carrier_type channel_polarity channel_relation channel_use clock_source condition_after
    condition_terms copy_indicator cs_copy cs_emphasis cs_fs_code decoder_mode digital_output
    dropout_compensator emphasis emphasis_indicator error_indication evidence file_emphasis interface_type
    kind line_standard mode origin outcome pattern personal_data picture_processing recording_format
    rights_basis role shared_converter source_bit_depth source_domain src_in_path status tape_emphasis
    tape_emphasis_evidence tape_speed_mode type verdict""".split()  # noqa: SIM905 - a list to be read
)

# what null means, by field
NULLS: Mapping[str, str] = MappingProxyType(
    {
        "file": "none was kept",
        "chain_id": "no chain was named",
        "channel": "all channels",
        "confidence": "exact",
        "interchannel_delay": "not measured",
        "line_pilot_hz": "not looked for",
        "peak_dbfs": "digital silence",
        "rms_dbfs": "digital silence",
        "true_peak_dbtp": "digital silence",
        "integrated_lufs": "not measurable",
        "range_lu": "not measurable",
        "max_momentary_lufs": "not measurable",
        "max_short_term_lufs": "not measurable",
        "max_true_peak_dbtp": "digital silence",
        "bandwidth_hz": "cannot be told",
        "period": "none",
        "effective_bits": "does not apply",
        "value": "no tone",
        "value_samples": "no answer",
        "condition_assessed_at": "not assessed",
        "frame": "no audio",
        "row": "the whole",
    }
)
