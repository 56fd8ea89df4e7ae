"""Columns collected turn by turn, and the names of arrays."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
Rng = np.random.Generator
Columns = dict[str, NDArray[Any]]


class Table:
    """Equally long columns that grow by parts and are joined once."""

    def __init__(self) -> None:
        self._parts: list[Columns] = []

    def add(self, **columns: NDArray[Any]) -> None:
        """Append a part; every part has the same column names."""
        self._parts.append(columns)

    def join(self) -> Columns:
        """All parts as one set of columns."""
        names = self._parts[0]
        return {name: np.concatenate([p[name] for p in self._parts]) for name in names}
