"""What a sound meter keeps: seventeen numbers for each 10 ms, from which any stretch is read.

Hops are worked out whole, once the samples that the interpolation needs beyond them have come: so
no split into blocks can change a bit. Memory is 13.6 kB a second.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from mixwright.dsp.filters import k_weighting
from mixwright.meters.history import History
from mixwright.meters.layout import CLIP_RUN, CLIPPED, COLUMNS, LONGEST, MARGIN, RUNS
from mixwright.meters.peak import interpolators
from mixwright.units import Block, Floats

HOPS_PER_S = 100


class SoundTrace:
    """Energies, sums, peaks and clipping by hop, growing as blocks arrive.

    `rows` has the columns named in `kernels`; mono fills the left ones alone.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        self.rate_hz, self.channels, self.frames = rate_hz, channels, 0
        self._sections = k_weighting(rate_hz)
        self._state = np.zeros((2, 2, 2))
        self._runs = np.zeros((2, 3))
        self._hops = History(COLUMNS)
        self._held = np.zeros((MARGIN, channels))
        self._closed: Floats | None = None

    def edge(self, hop: int) -> int:
        """Return the first sample of a hop; where 10 ms are no whole samples, the nearest one."""
        return (hop * self.rate_hz + HOPS_PER_S // 2) // HOPS_PER_S

    def feed(self, block: Block) -> float:
        """Take a block (frames, channels); the number returned is not finite if a sample is not."""
        block = np.ascontiguousarray(block, dtype=np.float64)
        self.frames += len(block)
        self._closed = None
        edges = self._edges(self.frames - MARGIN)
        self._hops.window(len(edges))
        energy = self._measure(block, edges, self._state, self._runs, self._hops.rows)
        self._hops.advance(len(edges) - 1)
        self._held = _joined_from(self._held, block, int(edges[-1]))
        return energy + float(np.vdot(self._held, self._held))

    def rows(self) -> Floats:
        """Return a row for each hop of what was fed, shape ``(hops, COLUMNS)``.

        The last hop may be incomplete; after it silence is assumed.
        """
        if self._closed is None:
            self._closed = self._finished()
        return self._closed

    def _edges(self, until: int) -> NDArray[np.int64]:
        """Return where hops begin and the last one ends, counted from the hop that comes next."""
        last = (HOPS_PER_S * max(until, 0) + HOPS_PER_S // 2 - 1) // self.rate_hz
        begun = self._hops.index
        first = self.edge(begun)
        hops = range(begun, max(last, begun) + 1)
        return np.array([self.edge(hop) - first for hop in hops], dtype=np.int64)

    def _measure(
        self,
        block: Block,
        edges: NDArray[np.int64],
        state: Floats,
        runs: Floats,
        rows: Floats,
    ) -> float:
        from mixwright.meters.kernels import measure_hops

        half, quarter = interpolators()
        return float(
            measure_hops(
                self._held,
                block,
                edges,
                self._sections,
                state,
                half,
                quarter,
                runs,
                rows,
                self._hops.index,
            )
        )

    def _finished(self) -> Floats:
        """Work out what was held back, on copies: more blocks may yet come."""
        edges, rest = self._edges(self.frames), self.frames - self.edge(self._hops.index)
        if rest > edges[-1]:
            edges = np.append(edges, rest)
        rows = np.zeros((self._hops.index + len(edges) - 1, COLUMNS))
        rows[: self._hops.index] = self._hops.complete
        runs = self._runs.copy()
        silence = np.zeros((MARGIN, self.channels))
        self._measure(silence, edges, self._state.copy(), runs, rows)
        for _, length, hop in runs[runs[:, 1] >= CLIP_RUN]:
            row = rows[int(hop)]
            row[RUNS] += 1
            row[CLIPPED] += length
            row[LONGEST] = max(row[LONGEST], length)
        return rows


def _joined_from(held: Block, block: Block, start: int) -> Block:
    """Return a copy of what `held` and `block` are together, from `start` on."""
    if start >= len(held):
        return block[start - len(held) :].copy()
    return np.concatenate([held[start:], block])
