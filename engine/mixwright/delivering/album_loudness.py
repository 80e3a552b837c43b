"""The loudness of an album: of all its main mixes as if they were one programme."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from mixwright.audio import FORMATS, StemInfo, played
from mixwright.delivering.manifest import OutputEntry
from mixwright.meters.loudness import LoudnessMeter, integrated_lufs
from mixwright.problem import ProblemError
from mixwright.rendering.probing import probed_all
from mixwright.rendering.session import USUAL, Session
from mixwright.sheet.deliverables import MAIN
from mixwright.units import unless_silent


def main_mix(entries: Iterable[OutputEntry], variants: Sequence[str]) -> OutputEntry | None:
    """Return the file that stands for a song: of the main mix, else of the first whole variant.

    `variants` are the names in the order of the sheet. Lossless files go before others. None where
    there are no files, or only parts.
    """
    order = {name: index for index, name in enumerate((MAIN, *variants))}
    order[MAIN] = 0
    whole = [entry for entry in entries if entry.stem is None]
    return min(
        whole,
        key=lambda entry: (order.get(entry.variant, len(order)), FORMATS[entry.format].lossy),
        default=None,
    )


def hops_of_files(
    paths: Sequence[Path], session: Session = USUAL
) -> list[NDArray[np.float64] | ProblemError]:
    """Return the K-weighted mean squares of sound files per 100 ms, or what is wrong with each.

    Compressed ones are decoded in one go.
    """
    infos: Sequence[StemInfo | ProblemError]
    try:
        infos = probed_all(paths, session)
    except ProblemError as error:  # no process can be started to decode any of them
        infos = [error] * len(paths)
    with ThreadPoolExecutor(session.cores) as pool:
        return list(pool.map(_hops, infos))


def _hops(info: StemInfo | ProblemError) -> NDArray[np.float64] | ProblemError:
    if isinstance(info, ProblemError):
        return info
    meter = LoudnessMeter(info.rate_hz, info.channels)
    try:
        for _, block in played(info):
            meter.feed(block)
    except ProblemError as error:
        return error
    return meter.hops()


def album_lufs(songs: Iterable[NDArray[np.float64]]) -> float | None:
    """Return the integrated loudness of songs, given their mean squares per hop.

    Both gates of ITU-R BS.1770-5 go over the 400 ms blocks of all songs together; no block reaches
    from one song into the next. None where nothing passes them.

    >>> loud, quiet = np.full(600, 0.01), np.full(600, 0.0001)
    >>> round(album_lufs([loud]), 3), round(album_lufs([loud, quiet]), 3)  # quiet is gated
    (-20.691, -20.691)
    """
    # No block that takes in a NaN is over any gate: it keeps songs apart.
    apart = [part for hops in songs for part in (hops, [np.nan])]
    return unless_silent(integrated_lufs(np.concatenate([*apart, np.empty(0)])))
