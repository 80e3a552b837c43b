"""Rule effects/voice-masked-by-its-effect."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from mixwright.checks.effects.wet_shares import wet_bands
from mixwright.checks.rule import Remark, Result, rule
from mixwright.measuring.evidence import Bands, Evidence, VoiceHeard
from mixwright.meters.bands import nominal_third_octaves
from mixwright.meters.loudness import HOP_S
from mixwright.meters.phrases import find_phrases
from mixwright.meters.speech import BAND_IMPORTANCE
from mixwright.units import Floats

# Bands so far under the voice's strongest one of speech say nothing of it.
SILENT_BAND_DB = 30.0
# What a band counts at most, in dB: one that the effect leaves out must not make up for others.
MOST_DB = 40.0


@rule("effects/voice-masked-by-its-effect", "voice_over_wet_db")
def voice_masked_by_its_effect(heard: Evidence, limits: Mapping[str, float]) -> Result:
    """The lead voice drowns in its own reverb and echo.

    Measures, over the phrases of the lead voice in the loudest section, how far the dry voice is
    over what comes back of it from the returns, by third octaves from 160 Hz to 8 kHz: a mean of
    dB weighted by the importance of each band for speech (ANSI S3.5-1997, Table 3). Bands in which
    the voice has nothing to say are left out, and one band counts 40 dB at most. The voice's share
    of a return is its share of what is sent to it.

    Why it matters: what comes back late covers the next syllable, and no fader makes up for that.

    Source: the weights are those of the standard; the number is our own choice.

    Fails:
        tracks: {lead_vocal: {sends_db: {hall: 6}}}
    """
    if heard.voice is None:
        return Result.nothing("no track with the role lead_vocal is heard")
    wet = wet_bands(heard, heard.voice.tracks)
    if wet is None or not wet.any():
        return Result.nothing("nothing of the lead voice comes back from a return")
    voice_powers, wet_powers = _in_phrases(heard, heard.voice, wet)
    if not voice_powers.any():
        return Result.nothing(f"the lead voice does not sing{heard.in_focus}")
    over_db, least_db = _over_db(voice_powers, wet_powers), limits["voice_over_wet_db"]
    measured = f"lead voice {over_db:.1f} dB over its effects{heard.in_focus}"
    if over_db >= least_db:
        return Result(measured)
    name = heard.voice.tracks[0]
    remark = Remark(
        "look",
        f"in the bands of speech the lead voice is {over_db:.1f} dB over its own effects, "
        f"expected {least_db:g} dB or more",
        help="turn down its sends, or duck the echo (duck_db)",
        path=("tracks", name, "sends_db"),
        name=name,
        section=heard.focus.name or None,
        at_s=heard.focus_s[0],
        measured=over_db,
        limit=least_db,
        unit="dB",
    )
    return Result(measured, (remark,))


def _in_phrases(heard: Evidence, voice: VoiceHeard, wet: Bands) -> tuple[Floats, Floats]:
    """Mean powers of the dry voice and of its effects while it sings in the focus."""
    start_s, end_s = heard.focus_s
    count = len(voice.voice)
    sings = np.zeros(count, np.bool_)
    for phrase in find_phrases(voice.levels.hops, HOP_S):
        sings |= phrase.frames(count, voice.hop_s)
    # Frames of the returns are counted from the start of the focus.
    first = round(start_s / voice.hop_s)
    last = min(count, round(end_s / voice.hop_s), first + len(wet))
    within = sings[first:last]
    if not within.any():
        return np.zeros(len(BAND_IMPORTANCE)), np.zeros(len(BAND_IMPORTANCE))
    lowest = nominal_third_octaves().index(BAND_IMPORTANCE[0][0])
    bands = slice(lowest, lowest + len(BAND_IMPORTANCE))
    dry = voice.voice[first:last][within].mean(axis=0)
    return dry[bands], wet[: last - first][within].mean(axis=0)[bands]


def _over_db(voice: Floats, wet: Floats) -> float:
    """How far the voice is over its effects: dB by band, weighted by importance for speech."""
    counted = voice >= voice.max() * 10.0 ** (-SILENT_BAND_DB / 10.0)
    weights = np.array([importance for _, importance in BAND_IMPORTANCE]) * counted
    tiny = np.finfo(np.float64).tiny
    ratios_db = 10.0 * (np.log10(np.maximum(voice, tiny)) - np.log10(np.maximum(wet, tiny)))
    return float(weights @ np.clip(ratios_db, -MOST_DB, MOST_DB) / weights.sum())
