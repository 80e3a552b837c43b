"""Faults in one track as it arrives: fed as the file streams by, then asked.

Everything is kept at a few kilobytes a second (:mod:`mixwright.faults.follow`) and worked out at
the end. Feed the file at its own rate: a flat top does not survive a change of rate.
"""

from __future__ import annotations

from mixwright.faults.clipping import UNKNOWN_BITS, ClipMeter
from mixwright.faults.findings import Finding, TrackName
from mixwright.faults.follow import CELLS_PER_S, LEFT_SUM, PLAIN, RIGHT_SUM, Features, TrackFollower
from mixwright.faults.hum import SteadySpectrum, hum_finding
from mixwright.faults.low_end import offset_finding, programme_dbfs, rumble_finding
from mixwright.faults.stereo import stereo_finding
from mixwright.units import SILENCE_DB, Block


class FaultMeter:
    """Fed blocks of one or two channels, any sizes; `bits` is the resolution of the file.

    `bits` is None where it is not known or the samples are floating point.

    >>> import numpy as np
    >>> t = np.arange(8 * 48000) / 48000
    >>> meter = FaultMeter(48000, 1)
    >>> meter.feed((0.1 * np.sin(2 * np.pi * 440 * t) + 0.02)[:, None])
    >>> [finding.message for finding in meter.findings("organ")]
    ['has a constant offset of +2.00 % of full scale (-34.0 dBFS)']
    """

    def __init__(self, rate_hz: int, channels: int, bits: int | None = None) -> None:
        self._bits = bits or UNKNOWN_BITS
        self._clips = ClipMeter(rate_hz, channels, bits)
        self._followed = TrackFollower(rate_hz, channels)

    def feed(self, block: Block) -> None:
        """Take a block (frames, channels); it is left as it is."""
        self._clips.feed(block)
        self._followed.feed(block)

    def features(self) -> Features:
        """Return what :func:`mixwright.faults.pairs.inspect_pairs` compares tracks by."""
        return self._followed.features()

    def findings(self, track: TrackName) -> tuple[Finding, ...]:
        """Return what is wrong with what was fed, under the name that the caller gives."""
        followed = self._followed
        cells = followed.cells()
        per_cell = followed.rate_hz / CELLS_PER_S
        programme = programme_dbfs(cells, per_cell)
        found: list[Finding | None] = [self._clips.finding(track)]
        if followed.channels == 2:
            found.append(stereo_finding(track, followed.sums(), followed.frames, self._bits))
        if programme > SILENCE_DB:
            channels = cells[:, [LEFT_SUM, RIGHT_SUM][: followed.channels]]
            spectrum = SteadySpectrum.of(followed.low_end(), followed.low_rate_hz)
            found += [
                offset_finding(track, cells[:, PLAIN], channels, per_cell),
                rumble_finding(track, spectrum, programme),
                hum_finding(track, spectrum, programme),
            ]
        return tuple(finding for finding in found if finding is not None)
