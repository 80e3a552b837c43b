"""How well a voice is heard against everything else: in the manner of ANSI S3.5, "SII-style".

ANSI S3.5-1997 (Speech Intelligibility Index) in thirds of an octave: a band is audible by clip((E -
D + 15) / 30, 0, 1), E being the level of the speech and D that of the noise in dB, since speech
reaches from some 15 dB over its mean level to 15 dB under it; bands add up by their importance
(Table 3). Here E and D are third-octave powers of the voice and of the rest of the mix. Left out
are spread of masking, the threshold in quiet and the loss at high levels: hence "SII-style", not
SII. Music is no steady noise, so this is done frame by frame and averaged over time, after K.
Rhebergen and N. Versfeld, "A Speech Intelligibility Index-based approach to predict the speech
reception threshold for sentences in fluctuating noise for normal-hearing listeners", JASA 117(4),
2005, pp. 2181-2192: an index for each short frame, and their mean. Here the level of the voice is
its mean over some time (about a second), and that of the rest is its own in each frame: the
syllables' ups and downs are the 30 dB of the formula already.

Own choice: importance is that of the bands *in which the voice has something*, within 30 dB of its
strongest band, and adds up to 1 over these. The standard counts a band without speech as inaudible,
which is right for being understood; but the question here is whether the mix covers the voice, and
a low, dull or hummed voice that nothing covers has to come out at 1. 30 dB is the range that the
formula gives to speech; bleed is mostly weaker than that.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from mixwright.meters.bands import powers_to_db, third_octaves
from mixwright.units import Floats, db_to_power

# ANSI S3.5-1997, Table 3: nominal midband in Hz and importance.
BAND_IMPORTANCE = (
    *((160, 0.0083), (200, 0.0095), (250, 0.0150), (315, 0.0289), (400, 0.0440), (500, 0.0578)),
    *((630, 0.0653), (800, 0.0711), (1000, 0.0818), (1250, 0.0844), (1600, 0.0882)),
    *((2000, 0.0898), (2500, 0.0868), (3150, 0.0844), (4000, 0.0771), (5000, 0.0527)),
    *((6300, 0.0364), (8000, 0.0185)),
)
SPEECH_RANGE_DB, SPEECH_PEAK_DB = 30.0, 15.0
VOICE_WITHIN_DB = 30.0
# At 24 frames a second: a second, some four syllables.
VOICE_FRAMES = 24
MOST_LACKING_DB = 40.0
# Halvings of 40 dB: to less than a billionth of one.
HALVINGS = 40


def audibility_of_phrase(
    voice: Floats,
    rest: Floats,
    active: NDArray[np.bool_],
    voice_frames: int = VOICE_FRAMES,
) -> float:
    """Return how much of a phrase is heard, 0 to 1: the mean over the frames where it sounds.

    `voice` and `rest` are powers of third octaves ``(frames, 30)``, those of the voice and of all
    else, as `SpectrumMeter.band_powers` gives them. `active` tells the frames where the voice
    sounds, shape ``(frames,)``. It counts with its mean power over
    `voice_frames` of them about each frame: long enough for a few syllables, so that short pauses
    and consonants don't count as a voice too soft, short enough that a lost word isn't made up for
    by a loud one. Each frame has the same say, so the rest covers by how long it does: one loud
    drum doesn't bury a phrase. ValueError if no frame is active.

    >>> flat, active = np.ones((48, 30)), np.arange(48) < 30
    >>> round(audibility_of_phrase(2.0 * flat, flat, active), 3)
    0.6
    """
    over_db, importance = _phrase(voice, rest, active, voice_frames)
    return float(_audible(over_db, importance).mean())


def lacking_db(
    voice: Floats,
    rest: Floats,
    active: NDArray[np.bool_],
    limit: float,
    voice_frames: int = VOICE_FRAMES,
) -> float:
    """Return by how many dB the voice has to be raised for `audibility_of_phrase` to be `limit`.

    0 if it is already, inf if 40 dB don't do it. The rest stays as it is: what else the raised
    voice feeds (a bus compressor, a reverb) is not foreseen. ValueError if no frame is active.

    >>> flat, active = np.ones((48, 30)), np.full(48, True)
    >>> round(lacking_db(flat, flat, active, 0.6), 6)
    3.0
    """
    over_db, importance = _phrase(voice, rest, active, voice_frames)

    def reaches(raised_db: float) -> bool:
        return float(_audible(over_db + raised_db, importance).mean()) >= limit

    if reaches(0.0):
        return 0.0
    if not reaches(MOST_LACKING_DB):
        return math.inf
    short, enough = 0.0, MOST_LACKING_DB
    for _ in range(HALVINGS):
        middle = 0.5 * (short + enough)
        short, enough = (short, middle) if reaches(middle) else (middle, enough)
    return enough


def _phrase(
    voice: Floats,
    rest: Floats,
    active: NDArray[np.bool_],
    voice_frames: int,
) -> tuple[Floats, Floats]:
    """By how much the voice is over the rest in each active frame and band, and what bands count.

    The window over which the voice is averaged goes over active frames alone; at the ends of the
    phrase it is moved inside, and a phrase shorter than it counts with one mean.
    """
    if not np.any(active):
        raise ValueError("no frame is active, expected one or more")
    own = voice[active]
    count = len(own)
    summed = np.concatenate([np.zeros((1, own.shape[1])), np.cumsum(own, axis=0)])
    first = np.clip(np.arange(count) - voice_frames // 2, 0, max(count - voice_frames, 0))
    last = np.minimum(first + max(voice_frames, 1), count)
    mean = (summed[last] - summed[first]) / (last - first)[:, None]
    return _over_db(mean, rest[active]), _importance(mean)


def _over_db(voice: Floats, rest: Floats) -> Floats:
    """Levels of the voice less those of the rest, shape ``(frames, 18)``."""
    return powers_to_db(_speech_bands(voice)) - powers_to_db(_speech_bands(rest))


def _importance(voice: Floats) -> Floats:
    """The importance of each band in which the voice has something, adding up to 1 in a frame."""
    bands = _speech_bands(voice)
    enough = bands.max(axis=1, keepdims=True) * db_to_power(-VOICE_WITHIN_DB)
    weights = np.array([importance for _, importance in BAND_IMPORTANCE])
    counted = np.where((bands >= enough) & (bands > 0.0), weights, 0.0)
    total = counted.sum(axis=1, keepdims=True)
    return np.asarray(counted / np.where(total > 0.0, total, 1.0))


def _audible(over_db: Floats, importance: Floats) -> Floats:
    heard = np.clip((over_db + SPEECH_PEAK_DB) / SPEECH_RANGE_DB, 0.0, 1.0)
    return np.asarray((heard * importance).sum(axis=1))


def _speech_bands(powers: Floats) -> Floats:
    """The columns of `powers` (frames, 30) that speech is counted in, 160 Hz to 8 kHz."""
    first = [band.nominal_hz for band in third_octaves()].index(BAND_IMPORTANCE[0][0])
    return powers[:, first : first + len(BAND_IMPORTANCE)]
