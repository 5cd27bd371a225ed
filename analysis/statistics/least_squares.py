"""Weighted least squares with few dense and many sparse unknowns, and whose errors matter how."""

import numpy as np
from scipy import sparse
from scipy.sparse.linalg import splu

from analysis.estimation.profile import Floats


class Equations:
    """Equations in n sparse unknowns and p dense ones, each with its own standard uncertainty."""

    def __init__(self, n_sparse: int, n_dense: int) -> None:
        self._n_sparse, self._n_dense = n_sparse, n_dense
        self._sparse: list[sparse.csr_array] = []
        self._dense: list[Floats] = []
        self._wanted: list[Floats] = []
        self._names: list[tuple[str, Floats]] = []
        self._residual = np.zeros(0)

    def add(
        self,
        name: str,
        rows: sparse.csr_array | None,
        u: Floats | float,
        *,
        dense: Floats | None = None,
        wanted: Floats | None = None,
        also: tuple[str, Floats] | None = None,
    ) -> None:
        """Adds equations: coefficients times unknowns is what is wanted, within u.

        Args:
            name: source of their error; empty for one that only fixes a zero.
            rows: coefficients of the sparse unknowns, (k, n); None for zeros.
            u: standard uncertainty of each.
            dense: coefficients of the dense unknowns, (k, p); None for zeros.
            wanted: right-hand side; zeros if None.
            also: a second source, and its share of each variance.
        """
        k = max(part.shape[0] for part in (rows, dense) if part is not None)
        weight = 1 / (u * np.ones(k))
        rows = sparse.csr_array((k, self._n_sparse)) if rows is None else rows
        dense = np.zeros((k, self._n_dense)) if dense is None else dense
        self._sparse.append(sparse.csr_array(sparse.diags_array(weight) @ rows))
        self._dense.append(weight[:, None] * dense)
        self._wanted.append(np.zeros(k) if wanted is None else weight * wanted)
        second, share = also or ("", np.zeros(k))
        self._names += [(name, 1 - share), (second, share)]

    def solve(self, levers: Floats, dense: Floats) -> tuple[Floats, dict[str, Floats]]:
        """Quantities linear in the unknowns, and their covariance by source.

        The dense unknowns are eliminated, so that what is factored stays as sparse as a chain.

        Args:
            levers: what a unit of each sparse unknown adds to each quantity, (b, n).
            dense: the same of the dense ones, (b, p).
        """
        rows, beside = sparse.vstack(self._sparse, format="csr"), np.vstack(self._dense)
        wanted = np.concatenate(self._wanted)
        n_dense = self._n_dense
        across = rows.T @ beside
        factored = splu(sparse.csc_array(rows.T @ rows))
        columns = np.column_stack([rows.T @ wanted, across, levers.T])
        solved = factored.solve(np.ascontiguousarray(columns))
        alone, by_dense, by_lever = np.split(solved, [1, 1 + n_dense], axis=1)
        inner = beside.T @ beside - across.T @ by_dense
        right = np.column_stack([beside.T @ wanted, dense.T]) - across.T @ np.column_stack(
            [alone, by_lever]
        )
        shift = np.linalg.solve(inner, right) if n_dense else right
        state = alone[:, 0] - by_dense @ shift[:, 0]
        self._residual = rows @ state + beside @ shift[:, 0] - wanted
        hangs = rows @ (by_lever - by_dense @ shift[:, 1:]) + beside @ shift[:, 1:]
        return levers @ state + dense @ shift[:, 0], self._parts(hangs)

    def misfit_ratio(self, n_free: int) -> float:
        """Root of the least-squares sum over its degrees of freedom; 1 if as predicted."""
        total = float(self._residual @ self._residual)
        return float(np.sqrt(total / n_free)) if n_free > 0 else 1.0

    def _parts(self, hangs: Floats) -> dict[str, Floats]:
        """Covariance by source of quantities that hang on each equation's error, (rows, b)."""
        parts: dict[str, Floats] = {}
        at = 0
        for index, (name, share) in enumerate(self._names):
            mine = hangs[at : at + len(share)]
            at += len(share) if index % 2 else 0
            if name:
                covariance = mine.T @ (share[:, None] * mine)
                parts[name] = parts[name] + covariance if name in parts else covariance
        return parts
