"""What of the returns belongs to a track: by its share of what is sent to each."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from mixwright.measuring.evidence import Bands, Evidence


def wet_energies(heard: Evidence, track: str) -> dict[str, float]:
    """Return K-weighted energy of a track by return over the whole song, those it comes back from.

    Sums of mean squares by hop, as those of the track's own `Levels`.
    """
    energies = {
        name: part.share_of(track) * float(part.wet.hops.sum())
        for name, part in heard.returns.items()
    }
    return {name: energy for name, energy in energies.items() if energy > 0.0}


def wet_bands(heard: Evidence, tracks: Iterable[str]) -> Bands | None:
    """Return what comes back of some tracks over the focus, third octaves (frames, bands).

    None where there is no return.
    """
    names, wet = tuple(tracks), None
    for part in heard.returns.values():
        share = sum(part.share_of(track, *heard.focus_s) for track in names)
        own = np.asarray(share * part.bands)
        if wet is None:
            wet = own
            continue
        frames = min(len(wet), len(own))
        wet = wet[:frames] + own[:frames]
    return wet
