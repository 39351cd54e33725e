"""The catalogue: an index over packages and ledgers, rebuildable from them, never the only copy of a fact."""
