"""The phrases of a voice, found from its own loudness over time.

A gate with hysteresis: sound is a stretch that stays above one threshold and somewhere reaches a
higher one, common practice in speech activity detection. All figures here are own choices, made to
hold for sung and spoken voices:

- Thresholds go with the voice. Its *level* is the mean of what is voice: of windows of 0.4 s, as in
  BS.1770-5, above -70 LUFS and at most 10 dB under the mean of those that are kept. The gate is
  drawn from the loudest down and repeated until nothing changes, as otherwise long pauses with
  bleed in them would pull the level of a sparse voice down. Near soft phrases thresholds lie lower:
  the *reference* is the loudest 0.4 s within a second and a half, at most the level and at least
  5 dB less. So breaths, which come right before loud phrases and 20 dB under them, stay out.
- A stretch has to stay above 18 dB under the reference and to reach 14 dB under it: at the softest
  23 and 19 dB under the level. Bleed 30 dB under a voice strikes up to there. A line that is softer
  is missed: for what is asked of phrases, bleed taken for voice would do more harm.
- Where that would still be within a steady noise, thresholds are 6 and 10 dB above the *floor*, the
  level exceeded 90 % of the time (see `silence`). As that is voice in a track without pauses, the
  floor moves them to no more than 16 and 12 dB under the level.
- Gaps below 0.35 s are bridged: stop consonants last some 0.05 to 0.15 s, quick breaths 0.3; a
  pause between phrases is longer. What is shorter than 0.25 s after that is a click or a breath.

Levels are smoothed over 0.05 s, so ends are good to about that, plus a hop. What lies within a long
fade-out ends where it falls below the threshold.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixwright.meters.loudness import (
    ABSOLUTE_GATE_LUFS,
    RELATIVE_GATE_LU,
    settled,
    sliding_mean,
    to_mean_square,
)
from mixwright.meters.silence import FLOOR_QUANTILE
from mixwright.units import Floats, db_to_power

SMOOTHED_S, LEVEL_S, REACH_S = 0.05, 0.4, 1.5
# The first gate is so far under the loudest 0.4 s; the reference goes so far below the level.
FIRST_GATE_DB, SOFTEST_DB = -20.0, -5.0
OPEN_DB, CLOSE_DB = -14.0, -18.0
OPEN_OVER_FLOOR_DB, CLOSE_OVER_FLOOR_DB = 10.0, 6.0
# As far as the floor moves the thresholds, under the level of the voice.
OPEN_AT_MOST_DB, CLOSE_AT_MOST_DB = -12.0, -16.0
BRIDGED_S, SHORTEST_S = 0.35, 0.25


@dataclass(frozen=True)
class VoicePhrase:
    """From `start_s` to `end_s` the voice sounds, short gaps included."""

    start_s: float
    end_s: float

    def frames(self, count: int, hop_s: float) -> NDArray[np.bool_]:
        """Return which of `count` frames centred on 0, `hop_s`, 2 `hop_s` ... lie in it.

        >>> VoicePhrase(0.2, 0.4).frames(5, 0.1)
        array([False, False,  True,  True, False])
        """
        # A frame on an end counts as within at the start, and rounding must not decide.
        centres_s = np.arange(count) * hop_s + 1e-9
        return np.asarray((centres_s >= self.start_s) & (centres_s < self.end_s))


def find_phrases(mean_squares: Floats, hop_s: float) -> tuple[VoicePhrase, ...]:
    """Return the phrases of a voice, in order; none if it is below -70 LUFS throughout.

    `mean_squares` are those of hops of `hop_s` seconds, K-weighted and added over channels, shape
    ``(hops,)``, as `LoudnessMeter.hops` gives them; hops of 0.01 to 0.1 s are good. ValueError if
    `hop_s` is not above 0 or longer than the gaps to be bridged.

    >>> hops = np.full(300, 1e-7)
    >>> hops[50:200] = 0.01
    >>> hops[120:130] = 1e-6
    >>> find_phrases(hops, 0.01)
    (VoicePhrase(start_s=0.48, end_s=2.02),)
    """
    if not 0.0 < hop_s < BRIDGED_S:
        raise ValueError(f"hop_s is {hop_s:g}, expected more than 0 and less than {BRIDGED_S:g}")
    momentary = _smoothed(mean_squares, LEVEL_S / hop_s)
    level = _level(momentary)
    if level == 0.0:
        return ()
    fine = _smoothed(mean_squares, SMOOTHED_S / hop_s)
    open_at, close_at = _thresholds(fine, momentary, level, hop_s)
    runs = _runs(fine >= close_at)
    heard = [(first, end) for first, end in runs if (fine >= open_at)[first:end].any()]
    phrases: list[tuple[int, int]] = []
    for first, end in heard:
        if phrases and (first - phrases[-1][1]) * hop_s < BRIDGED_S:
            phrases[-1] = (phrases[-1][0], end)
        else:
            phrases.append((first, end))
    return tuple(
        VoicePhrase(first * hop_s, end * hop_s)
        for first, end in phrases
        if (end - first) * hop_s >= SHORTEST_S
    )


def _smoothed(power: Floats, hops: float) -> Floats:
    """The mean over an odd number of hops about each one; silence beyond the ends."""
    reach = max(round((hops - 1.0) / 2.0), 0)
    return sliding_mean(np.pad(power, reach), 2 * reach + 1)


def _level(momentary: Floats) -> float:
    """The mean power of the voice where it sounds, 0 if it never does."""
    least = float(momentary.max(initial=0.0)) * db_to_power(FIRST_GATE_DB)
    kept = momentary[momentary > max(least, to_mean_square(ABSOLUTE_GATE_LUFS))]
    kept = kept[settled(kept, RELATIVE_GATE_LU)]
    return float(kept.mean()) if len(kept) else 0.0


def _thresholds(
    fine: Floats, momentary: Floats, level: float, hop_s: float
) -> tuple[Floats, Floats]:
    """The powers at which the gate opens and closes, each ``(hops,)``."""
    from scipy.ndimage import maximum_filter1d

    reach = math.ceil(REACH_S / hop_s)
    loudest = maximum_filter1d(momentary, 2 * reach + 1, mode="constant")
    reference = np.clip(loudest, level * db_to_power(SOFTEST_DB), level)
    # Where a track is muted there is no floor to be seen.
    sounding = fine[fine > level * 1e-12]
    floor = float(np.quantile(sounding, FLOOR_QUANTILE))
    least_open, least_close = (
        min(floor * db_to_power(over_db), level * db_to_power(most_db))
        for over_db, most_db in (
            (OPEN_OVER_FLOOR_DB, OPEN_AT_MOST_DB),
            (CLOSE_OVER_FLOOR_DB, CLOSE_AT_MOST_DB),
        )
    )
    return (
        np.maximum(reference * db_to_power(OPEN_DB), least_open),
        np.maximum(reference * db_to_power(CLOSE_DB), least_close),
    )


def _runs(sounding: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First index and the one after the last of each stretch of True."""
    steps = np.diff(np.concatenate([[0], sounding.astype(np.int8), [0]]))
    starts, ends = np.flatnonzero(steps == 1), np.flatnonzero(steps == -1)
    return [(int(first), int(end)) for first, end in zip(starts, ends, strict=True)]
