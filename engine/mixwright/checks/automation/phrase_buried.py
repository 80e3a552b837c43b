"""Rule automation/phrase-buried."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from mixwright.checks.rule import Remark, Result, rule
from mixwright.measuring.evidence import Evidence, Levels, VoiceHeard
from mixwright.meters.loudness import HOP_S
from mixwright.meters.phrases import VoicePhrase, find_phrases
from mixwright.meters.speech import audibility_of_phrase, lacking_db
from mixwright.words import moment

# So many phrases are told, the worst.
TOLD = 20
# A stretch longer than a breath lasts is judged in parts, each of so much or more.
BREATH_S, PART_S = 6.0, 2.0
MANY = 3  # so many that all are buried are told as one


@dataclass(frozen=True)
class PhraseHeard:
    """A phrase and how much of it is heard, 0 to 1."""

    phrase: VoicePhrase
    share: float


@rule("automation/phrase-buried", "phrase_heard_percent")
def phrase_buried(heard: Evidence, limits: Mapping[str, float]) -> Result:
    """A phrase of the lead voice is buried in the mix.

    Measures how much of each phrase of the lead voice is heard against everything else, its own
    reverb included, in the manner of ANSI S3.5-1997: from 0 where the rest is 15 dB over the voice
    in every third of an octave that it has something in, to 1 where it is 15 dB under it, weighted
    by the importance of each band for speech (Table 3). Phrases are found from the voice's own
    loudness; what goes on for more than 6 s is cut where it is softest. What a phrase lacks is how
    far the voice alone has to be raised.

    Why it matters: a word that is lost is missed by everyone who does not know it by heart, and
    whoever mixes does. A voice is ridden so that every word is heard.

    Source: method of ANSI S3.5-1997, simplified; the limit is our own choice.

    Fails:
        tracks: {lead_vocal: {automation: {gain_db: [{section: chorus, value: -14}]}}}
    """
    voice = heard.voice
    if voice is None:
        return Result.nothing("no track with the role lead_vocal is heard")
    phrases = phrases_heard(voice)
    if not phrases:
        return Result.nothing("the lead voice is silent")
    least = min(phrases, key=lambda one: one.share)
    measured = f"{len(phrases)} phrase{'s' * (len(phrases) > 1)}, least {100 * least.share:.0f} % "
    measured += f"heard at {moment(least.phrase.start_s, _section(heard, least.phrase))}"
    limit = limits["phrase_heard_percent"] / 100.0
    buried = sorted((one for one in phrases if one.share < limit), key=lambda one: one.share)
    if len(buried) == len(phrases) >= MANY:
        return Result(measured, (_all_buried(heard, voice, buried, limit),))
    told = sorted(buried[:TOLD], key=lambda one: one.phrase.start_s)
    return Result(measured, tuple(_remark(heard, voice, one, limit) for one in told))


def phrases_heard(voice: VoiceHeard) -> list[PhraseHeard]:
    """Return every phrase of the voice, long ones in parts, with how much of it is heard."""
    return [
        PhraseHeard(phrase, share)
        for found in find_phrases(voice.levels.hops, HOP_S)
        for phrase in _parts(found, voice.levels)
        if (share := _share_heard(voice, phrase)) is not None
    ]


def _parts(phrase: VoicePhrase, levels: Levels) -> list[VoicePhrase]:
    """A phrase that one breath is enough for, or its parts: lines that a double or echo ties."""
    first, last = round((phrase.start_s + PART_S) / HOP_S), round((phrase.end_s - PART_S) / HOP_S)
    inner = levels.hops[first:last]
    if phrase.end_s - phrase.start_s <= BREATH_S or not len(inner):
        return [phrase]
    cut_s = (first + int(inner.argmin()) + 0.5) * HOP_S
    halves = (replace(phrase, end_s=cut_s), replace(phrase, start_s=cut_s))
    return [part for half in halves for part in _parts(half, levels)]


def _share_heard(voice: VoiceHeard, phrase: VoicePhrase) -> float | None:
    """How much of a phrase is heard; None where no frame lies in it."""
    active = phrase.frames(len(voice.voice), voice.hop_s)
    return audibility_of_phrase(voice.voice, voice.rest, active) if active.any() else None


def _remark(heard: Evidence, voice: VoiceHeard, one: PhraseHeard, limit: float) -> Remark:
    phrase, percent = one.phrase, 100.0 * limit
    active = phrase.frames(len(voice.voice), voice.hop_s)
    lacks_db = lacking_db(voice.voice, voice.rest, active, limit)
    name = _who_sings(heard, voice, phrase)
    lacks = f"lacks {lacks_db:.1f} dB"
    if math.isinf(lacks_db):
        lacks = "lacks more than a fader has"
    return Remark(
        "fails",
        f"of a phrase of {phrase.end_s - phrase.start_s:.1f} s {100 * one.share:.1f} % is heard, "
        f"expected {percent:g} % or more; it {lacks}",
        help="ride the voice up there, or take down what plays with it, its own effects too",
        path=("tracks", name, "automation", "gain_db"),
        name=name,
        section=_section(heard, phrase),
        at_s=phrase.start_s,
        measured=100.0 * one.share,
        limit=percent,
        unit="%",
    )


def _all_buried(
    heard: Evidence, voice: VoiceHeard, buried: list[PhraseHeard], limit: float
) -> Remark:
    """One remark where not a single phrase is heard: that is no matter of rides."""
    worst, percent = buried[0], 100.0 * limit
    active = [one.phrase.frames(len(voice.voice), voice.hop_s) for one in buried]
    lacks_db = [lacking_db(voice.voice, voice.rest, each, limit) for each in active]
    middle_db = sorted(lacks_db)[len(lacks_db) // 2]
    name = _who_sings(heard, voice, worst.phrase)
    by = f" by about {middle_db:.0f} dB" if math.isfinite(middle_db) else ""
    return Remark(
        "fails",
        f"none of {len(buried)} phrases is heard by {percent:g} %, "
        f"the least by {100 * worst.share:.1f} %",
        help=f"raise {name}{by}, or take down what plays with it, its own effects too",
        path=("tracks", name, "gain_db"),
        name=name,
        section=_section(heard, worst.phrase),
        at_s=worst.phrase.start_s,
        measured=100.0 * worst.share,
        limit=percent,
        unit="%",
    )


def _who_sings(heard: Evidence, voice: VoiceHeard, phrase: VoicePhrase) -> str:
    """The loudest of the tracks that make up the voice, in a phrase."""

    def loudness_lufs(name: str) -> float:
        return heard.tracks[name].placed.mean_lufs(phrase.start_s, phrase.end_s)

    return max(voice.tracks, key=loudness_lufs)


def _section(heard: Evidence, phrase: VoicePhrase) -> str | None:
    """The section that a phrase is sung in: it may begin a little early."""
    return heard.section_at(0.5 * (phrase.start_s + phrase.end_s))
