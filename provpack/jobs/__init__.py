"""Use cases: what the commands do, without words on a screen. Clock, progress and ports come in."""
