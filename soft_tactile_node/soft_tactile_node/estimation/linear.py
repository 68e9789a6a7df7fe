"""Small dense linear algebra for the inner loop: fixed sizes, no allocation of Python objects."""

from __future__ import annotations

import numpy as np

from soft_tactile_node.compiled import compiled
from soft_tactile_node.samples import Array


@compiled
def factor(matrix: Array, lower: Array) -> bool:
    """Write the Cholesky factor of a symmetric positive definite matrix, in place.

    Parameters
    ----------
    matrix : numpy.ndarray, shape (n, n)
        Symmetric matrix (any unit squared); only its lower triangle is read.
    lower : numpy.ndarray, shape (n, n)
        Overwritten with the lower factor; entries above the diagonal are not touched.

    Returns
    -------
    bool
        False if the matrix is not positive definite (NaN included).
    """
    n = matrix.shape[0]
    for i in range(n):
        for j in range(i + 1):
            total = matrix[i, j]
            for k in range(j):
                total -= lower[i, k] * lower[j, k]
            if i == j:
                if not total > 0.0:
                    return False
                lower[i, i] = np.sqrt(total)
            else:
                lower[i, j] = total / lower[j, j]
    return True


@compiled
def whiten(lower: Array, vector: Array, out: Array) -> None:
    """Solve `lower @ out = vector` for a lower triangular factor, in place.

    Parameters
    ----------
    lower : numpy.ndarray, shape (n, n)
        Lower Cholesky factor.
    vector : numpy.ndarray, shape (n,)
        Right-hand side.
    out : numpy.ndarray, shape (n,)
        Overwritten with the solution; may be `vector` itself.
    """
    n = vector.shape[0]
    for i in range(n):
        total = vector[i]
        for k in range(i):
            total -= lower[i, k] * out[k]
        out[i] = total / lower[i, i]
