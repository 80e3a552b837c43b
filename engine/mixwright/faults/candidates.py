"""Which pairs of tracks are worth reading again, and where: from their envelopes alone.

The sound of one source begins at the same moments in every microphone. So the growth of the level,
by cells of 10 ms, is correlated between all tracks at once; 4,950 pairs of 100 tracks take about a
second for four minutes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixwright.faults.findings import TrackName
from mixwright.faults.follow import CELLS_PER_S, Features
from mixwright.meters.framing import grouped
from mixwright.units import Floats

Growth = NDArray[np.float32]

BEGIN_TOGETHER, REACH_CELLS, PAIRS_PER_TRACK = 0.35, 2, 3
BEGIN_SHIFTED, COARSE_CELLS, SHIFTS_TRIED, SHIFTED_PER_TRACK = 0.45, 4, 3, 2
FAINTEST = 1e-4
APART_CELLS = 10


@dataclass(frozen=True)
class TrackPair:
    """Two tracks that begin together: how much so, 0 to 1, and how much later the second does."""

    first: TrackName
    second: TrackName
    together: float
    shift_s: float = 0.0


def onsets(features: Features) -> Growth:
    """Return how suddenly the sound grows in each cell, plain and steep, shape ``(2, n)``.

    In nepers, above 50 dB under the loudest cell.
    """
    rows = []
    for energies in (features.plain, features.steep):
        level = np.log(energies + np.float32(1e-5) * energies.max(initial=1e-30))
        rows.append(np.maximum(np.diff(level, prepend=level[:1]), 0.0))
    return np.stack(rows).astype(np.float32)


def together(begins: Mapping[TrackName, Growth]) -> list[TrackPair]:
    """Return the pairs whose sounds begin together to within 20 ms, the surest first."""
    names = list(begins)
    best = np.zeros((len(names), len(names)), dtype=np.float32)
    for row in range(2):
        table = _table([begins[name][row] for name in names])
        for lag in range(REACH_CELLS + 1):
            product = table[:, : table.shape[1] - lag] @ table[:, lag:].T
            best = np.maximum(best, np.maximum(product, product.T))
    rows, columns = np.triu_indices(len(names), 1)
    order = np.argsort(-best[rows, columns], kind="stable")[: PAIRS_PER_TRACK * len(names)]
    found = [
        TrackPair(names[rows[at]], names[columns[at]], float(best[rows[at], columns[at]]))
        for at in order
    ]
    return [pair for pair in found if pair.together >= BEGIN_TOGETHER]


def shifted(begins: Mapping[TrackName, Growth]) -> list[TrackPair]:
    """Return the pairs that would begin together if one were moved, the surest first.

    They may be the same audio.
    """
    names = list(begins)
    if len(names) < 2:
        return []
    table = _table([_coarser(begins[name]) for name in names])
    size = 2 ** int(np.ceil(np.log2(2 * table.shape[1] + 1)))
    spectra = np.fft.rfft(table, size, axis=1).astype(np.complex64)
    found = []
    for first, spectrum in enumerate(spectra):
        for second in range(first + 1, len(names)):
            curve = np.fft.irfft(spectrum.conj() * spectra[second], size)
            most = float(curve.max())
            if most < BEGIN_SHIFTED:
                continue
            for cells in _best_shifts(begins[names[first]], begins[names[second]]):
                if abs(cells) > REACH_CELLS:
                    found.append(TrackPair(names[first], names[second], most, cells / CELLS_PER_S))
    found.sort(key=lambda pair: -pair.together)
    return found[: SHIFTED_PER_TRACK * len(names)]


def windows(first: Features, second: Features, shift_s: float, count: int) -> list[float]:
    """Return where to read the first track, in s: the seconds in which both are loudest."""
    own, other = _by_second(first, second, shift_s)
    both = np.sqrt(own * other)
    best = np.argsort(-both, kind="stable")[:count]
    return [float(at) for at in best if both[at] > FAINTEST * both.max()]


def spread_windows(first: Features, second: Features, shift_s: float, count: int) -> list[float]:
    """Return where to read the first track, in s: all over where either sounds."""
    own, other = _by_second(first, second, shift_s)
    either = np.maximum(*(one / max(one.max(initial=0.0), 1e-30) for one in (own, other)))
    sounding = np.flatnonzero(either > FAINTEST)
    chosen = sounding[np.linspace(0, len(sounding) - 1, min(count, len(sounding))).astype(int)]
    return [float(at) for at in chosen]


def beginnings(first: Growth, second: Growth, count: int) -> list[float]:
    """Return when both tracks begin at once, in s, the strongest first, a tenth apart at least."""
    length = min(first.shape[1], second.shape[1])
    near = []
    for growth in (first, second):
        one = growth[:, :length].sum(axis=0)
        near.append(np.maximum(one, np.maximum(np.roll(one, 1), np.roll(one, -1))))
    joint = np.minimum(*near)
    found: list[float] = []
    while len(found) < count and joint.max(initial=0.0) > 0.0:
        at = int(np.argmax(joint))
        found.append(at / CELLS_PER_S)
        joint[max(0, at - APART_CELLS) : at + APART_CELLS + 1] = 0.0
    return found


def _by_second(first: Features, second: Features, shift_s: float) -> tuple[Floats, Floats]:
    """Energies by whole seconds of the first track and of what lies there in the second.

    The second may begin after the first is over, or be over before the first begins: then nothing
    of it lies there.
    """
    shift = round(shift_s * CELLS_PER_S)
    seconds = -(-len(first.plain) // CELLS_PER_S)
    own, other = np.zeros((2, seconds * CELLS_PER_S))
    own[: len(first.plain)] = first.plain
    start, end = max(0, -shift), min(len(own), len(second.plain) - shift)
    if start < end:
        other[start:end] = second.plain[start + shift : end + shift]
    return grouped(own, CELLS_PER_S).sum(axis=1), grouped(other, CELLS_PER_S).sum(axis=1)


def _table(rows: list[Growth]) -> Growth:
    """Rows without their means and of unit length, padded to the longest: shape ``(n, cells)``."""
    table = np.zeros((len(rows), max((len(row) for row in rows), default=0)), dtype=np.float32)
    for into, row in zip(table, rows, strict=True):
        if len(row):
            into[: len(row)] = row - row.mean()
            into /= max(float(np.linalg.norm(into)), 1e-20)
    return table


def _coarser(growth: Growth) -> Growth:
    both = growth.sum(axis=0)
    return np.asarray(grouped(both, COARSE_CELLS).sum(axis=1))


def _best_shifts(first: Growth, second: Growth) -> list[int]:
    """The shifts of the second in cells at which the growth of both agrees best.

    A steady beat agrees with itself at any of its periods: several are worth a try.
    """
    rows = [growth.sum(axis=0) for growth in (first, second)]
    size = 2 ** int(np.ceil(np.log2(len(rows[0]) + len(rows[1]) + 1)))
    own, other = (np.fft.rfft(row - row.mean(), size) for row in rows)
    curve = np.fft.irfft(own.conj() * other, size)
    found = []
    for _ in range(SHIFTS_TRIED):
        at = int(np.argmax(curve))
        found.append(at if at < size // 2 else at - size)
        curve[np.arange(at - REACH_CELLS, at + REACH_CELLS + 1) % size] = -np.inf
    return found
