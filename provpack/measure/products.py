"""Products of many short rows with one small matrix, on the thread that asks for them."""

from __future__ import annotations

from typing import TypeVar

import numpy as np
import numpy.typing as npt

Real = TypeVar("Real", np.float32, np.float64)

# Multiplications of one call of BLAS: OpenBLAS begins further threads from some 500 000 on (its
# GEMM_MULTITHREAD_THRESHOLD times 65536, twice), and numpy hands it a stack of matrices one by one.
_FEW = 262_144


def product(
    rows: npt.NDArray[Real], matrix: npt.NDArray[Real], out: npt.NDArray[Real] | None = None
) -> npt.NDArray[Real]:
    """rows @ matrix, in `out` when given; on one thread however many rows. The rows of both and of out are
    contiguous, and evenly spaced."""
    if out is None:
        out = np.empty((len(rows), matrix.shape[1]), dtype=rows.dtype)
    batch = max(1, _FEW // max(1, matrix.size))
    whole = len(rows) - len(rows) % batch
    if whole:
        np.matmul(
            rows[:whole].reshape(-1, batch, rows.shape[1]),
            matrix,
            out=out[:whole].reshape(-1, batch, matrix.shape[1]),
        )
    if whole < len(rows):
        np.matmul(rows[whole:], matrix, out=out[whole:])
    return out
