"""Words in, words out, exit code."""
