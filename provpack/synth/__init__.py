"""Invented tapes, photographs and received files for the demo and tests; nothing here reads a real one."""
