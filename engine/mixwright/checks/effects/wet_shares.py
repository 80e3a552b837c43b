"""What of the returns belongs to a track: by its share of what is sent to each."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from mixwright.measuring.evidence import Bands, Evidence


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
