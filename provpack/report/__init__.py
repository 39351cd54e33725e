"""Faces of a result: text, JSON, HTML. Pure functions; no decision about good or bad is made here."""
