"""Fuzzing of every reader: the targets, their seeds, mutators, and the driver for atheris (`run.py`)."""
