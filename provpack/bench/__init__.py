"""The bench: one local page over one job folder, for this machine only. The door to Starlette and uvicorn."""
