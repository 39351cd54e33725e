"""Everything that can fail because the world did. One third-party library per file."""
