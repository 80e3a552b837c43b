"""Every level, loudness and stereo figure of a sound or of any stretch of it, from one pass.

The figures of a stretch are those of the stretch alone: its gates, its grid of blocks and its
windows begin where it begins, so that cutting it out and measuring the piece gives the same, but
for what weighting and interpolation still have in them of the sound on either side. Its ends are
taken to the nearest 10 ms. Places are always in the time of the whole.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from mixwright.meters.framing import grouped
from mixwright.meters.layout import TRUE_LEFT
from mixwright.meters.silence import THRESHOLD_DBFS, SilenceReadings, silence_of
from mixwright.meters.trace import HOPS_PER_S, SoundTrace
from mixwright.meters.trace_slice import TraceSlice
from mixwright.units import SILENCE_DB, Block, Floats, gain_to_db, unless_silent


@dataclass(frozen=True)
class SoundReadings:
    """The figures of a stretch. None for a level of silence and for a figure that can't be had.

    Too short a stretch (under 400 ms for loudness, under 3 s for the short-term figures) or one
    without programme has None there, and so have the stereo figures of a mono sound. Programme
    is what passes the gates of EBU Tech 3342: pauses and fading tails don't count.

    - `start_s`, `seconds`: where the stretch begins and how long it is.
    - `sample_peak_dbfs`, `true_peak_dbtp`: of all channels, with their places.
    - `clipped_runs`: how often three or more samples in a row stood still within a 16-bit step of
      full scale, or beyond; `clipped_samples` in all, `longest_clip` in samples. Counted as fed,
      whatever the gain.
    - `dc`, `dc_dbfs`: the mean of each channel, as amplitude and as level.
    - `rms_dbfs`: of all channels together, re amplitude 1.0: a full-scale sine reads -3.01.
      `crest_db` is the sample peak over it.
    - `integrated_lufs`: ITU-R BS.1770-5. `momentary_max_lufs` (400 ms) and `short_term_max_lufs`
      (3 s): EBU Tech 3341, every 10 ms; their places are where the window begins.
    - `loudness_range_lu`: EBU Tech 3342 (v4), every 100 ms; not steady within the first minute.
    - `plr_lu`: true peak over integrated loudness. `psr_lu`, `psr_min_lu`: true peak over
      short-term loudness of the same 3 s of programme; the median says how dense the whole is,
      the least how dense it gets (I. Shepherd, E. Grimm, P. Tapper, M. Kahsnitz and I. Kerr,
      "Measuring Micro-Dynamics - A First Step: Standardizing PSR", AES 143rd Convention, 2017,
      e-Brief 373, for the term; to sum it up in these two is our choice).
    - `correlation`: of left and right at no lag, -1 to 1. `worst_correlation` is the least over
      3 s of programme, `worst_correlation_s` where they begin: shorter windows find fault with
      any wide reverb.
    - `side_to_mid_db`: power of (L-R)/2 over that of (L+R)/2; -inf for two equal channels.
    - `mono_loss_lu`: integrated loudness of (L+R)/2 from both sides, minus that of the stereo; -inf
      where nothing is left.
    """

    start_s: float
    seconds: float
    sample_peak_dbfs: float | None
    sample_peak_s: float | None
    true_peak_dbtp: float | None
    true_peak_s: float | None
    clipped_runs: int
    clipped_samples: int
    longest_clip: int
    dc: tuple[float, ...]
    dc_dbfs: tuple[float | None, ...]
    rms_dbfs: float | None
    crest_db: float | None
    integrated_lufs: float | None
    momentary_max_lufs: float | None
    momentary_max_s: float | None
    short_term_max_lufs: float | None
    short_term_max_s: float | None
    loudness_range_lu: float | None
    plr_lu: float | None
    psr_lu: float | None
    psr_min_lu: float | None
    correlation: float | None = None
    worst_correlation: float | None = None
    worst_correlation_s: float | None = None
    side_to_mid_db: float | None = None
    mono_loss_lu: float | None = None


class SoundMeter:
    """Fed blocks of one or two channels; then asked for any stretch, at any gain, exactly.

    >>> meter = SoundMeter(48000, 2)
    >>> tone = np.sin(2 * np.pi * 997 / 48000 * np.arange(4 * 48000))
    >>> energy = meter.feed(np.column_stack([tone, tone]))
    >>> readings = meter.readings(gain=0.5)
    >>> round(readings.integrated_lufs, 2), round(readings.rms_dbfs, 2), readings.correlation
    (-6.02, -9.03, 1.0)
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._trace = SoundTrace(rate_hz, channels)

    def feed(self, block: Block) -> float:
        """Take a block (frames, channels); return a number that is not finite if a sample is not.

        After such a sample no figure can be trusted.
        """
        return self._trace.feed(block)

    def silence(
        self,
        gain: float = 1.0,
        threshold_dbfs: float = THRESHOLD_DBFS,
        frames: int | None = None,
    ) -> SilenceReadings:
        """Return silences and noise floor of all that was fed, as if multiplied by `gain`.

        Of the first `frames` only, where what came behind them is not to count.
        """
        return silence_of(self._trace, gain, threshold_dbfs, frames)

    @property
    def seconds(self) -> float:
        """How much was fed."""
        return self._trace.frames / self._trace.rate_hz

    def loudness_over_time(
        self, window_s: float, start_s: float = 0.0, end_s: float | None = None, gain: float = 1.0
    ) -> Floats:
        """Return the loudness (LUFS) of every window of that length, one each 10 ms.

        0.4 s is momentary, 3 s is short-term loudness (EBU Tech 3341). Windows lie wholly within
        the stretch; silence is -inf.
        """
        hops = max(round(window_s * HOPS_PER_S), 1)
        return self._stretch(start_s, end_s, gain).loudness_over_time(hops)

    def true_peak_over_time(self, window_s: float, gain: float = 1.0) -> Floats:
        """Return the true peak (amplitude) of each window of that length, one after the other."""
        tops = self._trace.rows()[:, TRUE_LEFT : TRUE_LEFT + 2].max(axis=1, initial=0.0)
        hops = max(round(window_s * HOPS_PER_S), 1)
        padded = np.zeros(-(-len(tops) // hops) * hops)
        padded[: len(tops)] = tops
        return np.asarray(grouped(padded, hops).max(axis=1, initial=0.0) * abs(gain))

    def _stretch(self, start_s: float, end_s: float | None, gain: float) -> TraceSlice:
        hops = len(self._trace.rows())
        first = min(max(round(start_s * HOPS_PER_S), 0), hops)
        last = hops if end_s is None else min(max(round(end_s * HOPS_PER_S), first), hops)
        return TraceSlice(self._trace, first, last, gain)

    def readings(
        self, start_s: float = 0.0, end_s: float | None = None, gain: float = 1.0
    ) -> SoundReadings:
        """Return the figures from `start_s` to `end_s` (None: the end), as if times `gain`."""
        stretch = self._stretch(start_s, end_s, gain)
        sample_peak, sample_peak_s = stretch.sample_peak
        true_peak, true_peak_s = stretch.true_peak
        runs, clipped, longest = stretch.clipping
        momentary, momentary_s = stretch.momentary_max
        short_term, short_term_s = stretch.short_term_max
        ratios = stretch.peaks_over_short_term_lu
        return SoundReadings(
            start_s=stretch.start / self._trace.rate_hz,
            seconds=stretch.samples / self._trace.rate_hz,
            sample_peak_dbfs=unless_silent(gain_to_db(sample_peak)),
            sample_peak_s=sample_peak_s,
            true_peak_dbtp=unless_silent(gain_to_db(true_peak)),
            true_peak_s=true_peak_s,
            clipped_runs=runs,
            clipped_samples=clipped,
            longest_clip=longest,
            dc=stretch.dc,
            dc_dbfs=tuple(unless_silent(gain_to_db(abs(mean))) for mean in stretch.dc),
            rms_dbfs=unless_silent(gain_to_db(stretch.rms)),
            crest_db=_over(gain_to_db(sample_peak), gain_to_db(stretch.rms)),
            integrated_lufs=unless_silent(stretch.integrated_lufs),
            momentary_max_lufs=unless_silent(momentary),
            momentary_max_s=momentary_s,
            short_term_max_lufs=unless_silent(short_term),
            short_term_max_s=short_term_s,
            loudness_range_lu=stretch.loudness_range_lu,
            plr_lu=_over(gain_to_db(true_peak), stretch.integrated_lufs),
            psr_lu=float(np.median(ratios)) if len(ratios) else None,
            psr_min_lu=float(ratios.min()) if len(ratios) else None,
            **(_stereo(stretch) if self._trace.channels == 2 else {}),
        )


def _over(peak_db: float, level_db: float | None) -> float | None:
    """Return how far a peak is above a level; None if there is no level."""
    return None if level_db is None or level_db == SILENCE_DB else peak_db - level_db


def _stereo(stretch: TraceSlice) -> dict[str, float | None]:
    """Return the figures that only two channels have."""
    worst, worst_s = stretch.worst_correlation
    return {
        "correlation": stretch.correlation,
        "worst_correlation": worst,
        "worst_correlation_s": worst_s,
        "side_to_mid_db": stretch.side_to_mid_db,
        "mono_loss_lu": stretch.mono_loss_lu,
    }
