"""What meters keep over time: rows of numbers that grow as blocks arrive."""

from __future__ import annotations

import numpy as np

from mixwright.units import Floats


class History:
    """Rows of so many `columns` each, zero as long as nobody has written to them.

    `rows` are all there is room for, `index` is the row under way.

    >>> history = History(2)
    >>> history.window(1)[:] = [[1.0, 2.0], [3.0, 4.0]]
    >>> history.advance(1)
    >>> history.complete.tolist(), history.rows[history.index].tolist()
    ([[1.0, 2.0]], [3.0, 4.0])
    """

    def __init__(self, *columns: int, room: int = 512) -> None:
        self.rows: Floats = np.zeros((room, *columns))
        self.index = 0

    def window(self, more: int) -> Floats:
        """Return the row under way and so many more after it, to be added to."""
        needed = self.index + more + 1
        if needed > len(self.rows):
            grown = np.zeros((2 * needed, *self.rows.shape[1:]))
            grown[: len(self.rows)] = self.rows
            self.rows = grown
        return self.rows[self.index : needed]

    def advance(self, rows: int) -> None:
        """Move on by so many rows, which are complete."""
        self.index += rows

    @property
    def complete(self) -> Floats:
        """The rows before the one under way."""
        return self.rows[: self.index]
