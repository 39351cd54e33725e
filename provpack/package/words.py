"""The enum values of the record in words, for text that people read (coding history, report, READ-ME)."""

from __future__ import annotations

FORMAT_WORDS = {
    "eiaj_14": "PCM adaptor 14 bit (EIAJ STC-007)",
    "ext_16": "PCM adaptor 16 bit (extension of EIAJ STC-007)",
    "pcm1_13": "PCM adaptor 13 bit (first generation)",
    "pcm16x0": "PCM processor 16 bit on U-matic",
    "dat": "DAT",
    "adat": "8-track digital on S-VHS",
    "dtrs": "8-track digital on Hi8",
    "md": "MiniDisc (lossy ATRAC)",
    "cd": "CD or CD-R",
    "hifi_fm": "video hi-fi FM sound",
    "other": "other recording format",
}

STANDARD_WORDS = {
    "525_5994": "525 lines 59.94 Hz",
    "525_60": "525 lines 60 Hz",
    "625_50": "625 lines 50 Hz",
    "unknown": "line standard unknown",
}

EMPHASIS_WORDS = {
    "on": "on",
    "off": "off",
    "mixed": "changes within the tape",
    "unknown": "unknown",
    "not_applicable": "not applicable",
}

FILE_EMPHASIS_WORDS = {
    "present": "present (not de-emphasised)",
    "removed": "removed",
    "absent": "absent",
    "mixed": "present in parts",
    "unknown": "unknown",
}

CARRIER_WORDS = {
    "betamax": "Betamax cassette",
    "vhs": "VHS cassette",
    "s_vhs": "S-VHS cassette",
    "u_matic": "U-matic cassette",
    "video8": "Video8 cassette",
    "hi8": "Hi8 cassette",
    "digital8": "Digital8 cassette",
    "eiaj_open_reel": "open-reel video tape",
    "mii": "MII cassette",
    "betacam": "Betacam cassette",
    "dat": "DAT cassette",
    "compact_cassette": "compact cassette",
    "open_reel_audio": "open-reel audio tape",
    "minidisc": "MiniDisc",
    "cd": "CD",
    "cd_r": "CD-R",
    "other": "carrier of another kind",
    "unknown": "carrier of unknown kind",
}
