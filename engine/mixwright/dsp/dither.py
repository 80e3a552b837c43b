"""Quantisation to whole numbers with TPDF dither, plain or with its noise shaped.

Plain: Lipshitz, Wannamaker, Vanderkooy, "Quantization and Dither: A Theoretical Survey", JAES
40(5), 1992: triangular dither of 2 LSB peak to peak makes mean and power of the error independent
of the signal; total noise is LSB^2 / 4. Random numbers: splitmix64 (Steele, Lea, Flood, OOPSLA
2014).

Shaped, meant for 16 bits: the same dither, and the whole error of a sample (its dither included)
goes through a filter into those that follow, so that the noise is the white one through
``1 + a1 z^-1 + a2 z^-2 ...``. Over all frequencies the mean of its level in dB stays what it was:
what is gained where the ear is keen is paid for where it is not (Gerzon, Craven, "Optimal Noise
Shaping and Dither of Digital Signals", AES 87th Convention, 1989; Lipshitz, Vanderkooy, Wannamaker,
"Minimally Audible Noise Shaping", JAES 39(11), 1991; a test holds the filter to it). So it is less
audible and more powerful: by 15 dB at 44.1 and 48 kHz, nearly all of it above 14 kHz. Nothing
should be done to the file afterwards.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from mixwright.units import Block, Floats

ORDER = 9
# Of the shaped noise's total over the plain one's.
MOST_GAIN_DB = 15.0
# Reached at 15.6 kHz; the approximation goes on to 5000 dB at 48 kHz, where nobody was asked.
HIGHEST_THRESHOLD_DB = 60.0
LOWEST_HZ = 20.0
# Points of the frequency axis, from 0 to half the rate.
GRID = 8193
DECIMALS = 6
# Samples in a row that are exactly zero: after these, shaped noise gives way to silence.
SILENT_RUN = 32


class Quantiser:
    """Rounds to `bits` with dither from a seed: the same seed gives the same bits.

    Digital silence stays silent: a sample that is exactly zero gets no dither.

    With `shaped`, the noise is shaped for `rate_hz`, each channel by itself. There, silence begins
    after `SILENT_RUN` zeros in a row (less than a millisecond), and earlier errors are then
    forgotten; it is silent from the start. A single zero on the way is like any other sample: to
    leave just this one without its share of noise would be heard as noise that is not shaped.
    """

    def __init__(self, bits: int, seed: int, shaped: bool = False, rate_hz: int = 48000) -> None:
        self.bits = bits
        self._state = np.array([seed % 2**64], dtype=np.uint64)
        self._taps = shaping_filter(rate_hz)[1:] if shaped else None
        self._past: Floats | None = None
        self._zeros: NDArray[np.int64] | None = None

    def quantise(self, block: Block) -> NDArray[np.int32]:
        """Return int32 values, left-justified as sound files want them, same shape as `block`.

        >>> Quantiser(16, seed=1).quantise(np.array([[0.5], [0.0]])).ravel().tolist()
        [1073741824, 0]
        """
        from mixwright.dsp.kernels.dither import quantise, quantise_shaped

        out = np.empty(block.shape, dtype=np.int32)
        block = np.ascontiguousarray(block)
        if self._taps is None:
            quantise(block.reshape(-1), self.bits, self._state, out.reshape(-1))
            return out
        if self._past is None or self._zeros is None:
            self._past = np.zeros((block.shape[1], ORDER))
            self._zeros = np.full(block.shape[1], SILENT_RUN)
        quantise_shaped(
            block, self.bits, self._state, self._taps, self._past, self._zeros, SILENT_RUN, out
        )
        return out


def hearing_threshold_db(hz: Floats) -> Floats:
    """Return the level (dB SPL) at which a tone in quiet is just heard, at most 60 dB.

    E. Terhardt's approximation ("Calculating virtual pitch", Hearing Research 1(2), 1979, as quoted
    in M. Bosi and R. Goldberg, "Introduction to Digital Audio Coding and Standards"), constant
    below 20 Hz.

    >>> hearing_threshold_db(np.array([100.0, 1000.0, 3300.0, 24000.0])).round(1).tolist()
    [23.0, 3.4, -5.0, 60.0]
    """
    khz = np.maximum(hz, LOWEST_HZ) / 1000.0
    ear = 3.64 * khz**-0.8 - 6.5 * np.exp(-0.6 * (khz - 3.3) ** 2) + 1e-3 * khz**4
    return np.asarray(np.minimum(ear, HIGHEST_THRESHOLD_DB))


def shaping_filter(rate_hz: int) -> Floats:
    """Return ``1 a1 .. a9``: what the white noise goes through.

    The power of noise, weighted by the inverse of :func:`hearing_threshold_db`, is least after the
    filter that predicts a signal of that spectrum and leaves the rest (Gerzon, Craven 1989): linear
    prediction from its autocorrelation. Some white noise added to that signal weighs the total
    noise too. As much is added as keeps the total within `MOST_GAIN_DB`: no filter of this order
    is less audible at that total.

    Rounded to six decimals, so that every machine has the same.

    >>> shaping_filter(44100)[:3].round(2).tolist()
    [1.0, -2.61, 3.55]
    """
    hz = np.linspace(0.0, 0.5 * rate_hz, GRID)
    correlation = np.fft.irfft(10.0 ** (-0.1 * hearing_threshold_db(hz)))[: ORDER + 1]
    # White noise in dB of the signal: from none to speak of to nothing else.
    low, high = -200.0, 60.0
    while high - low > 1e-9:
        white = 0.5 * (low + high)
        if _gain_db(_predictor(correlation, white)) > MOST_GAIN_DB:
            low = white
        else:
            high = white
    return np.round(_predictor(correlation, high), DECIMALS)


def _predictor(correlation: Floats, white_db: float) -> Floats:
    """Return the prediction-error filter of a signal with white noise added."""
    from scipy.linalg import solve_toeplitz

    column = correlation[:-1].copy()
    column[0] *= 1.0 + 10.0 ** (0.1 * white_db)
    return np.concatenate([[1.0], -solve_toeplitz(column, correlation[1:])])


def _gain_db(taps: Floats) -> float:
    """Return by how much white noise is louder after a filter."""
    return float(10.0 * np.log10(np.sum(taps**2)))
