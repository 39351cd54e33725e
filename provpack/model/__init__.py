"""The transfer record: vocabularies, exact rates, and the rules that need no audio. No files, no clock."""
