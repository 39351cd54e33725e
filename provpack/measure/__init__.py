"""Pure measurement of PCM audio: bytes in, frozen results out. Knows no file, record or chunk."""
