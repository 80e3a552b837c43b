"""Sounds of the invented test songs: drums, strings, keys and voices, made by numbers alone.

A :class:`Score` says when what is played; :func:`play` turns one part of it into a recording with a
floor of noise, no offset, no hum, and a natural end. The same score and seed give the same bits.
Levels, timbres and rates of syllables are common practice or our own choice: what matters is that
each source sits where such a source sits and that no two of them are alike.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

RATE_HZ = 48000
RING_S = 3.0  # from the last chord to the end of the song
GRID_HZ = 200  # of curves that move slowly: pitch and level of a voice
TABLE = 4096
MAJOR, MINOR = (0, 2, 4, 5, 7, 9, 11), (0, 2, 3, 5, 7, 8, 10)

Wave = NDArray[np.float32]
Random = np.random.Generator


@dataclass(frozen=True)
class Part:
    """A section of the song: its first bar (from 1), its length, and how hard it is played."""

    name: str
    bar: int
    bars: int
    level_db: float


@dataclass(frozen=True)
class Score:
    """What is played when. `rests` are ``(track, section)`` pairs in which a track is silent."""

    bpm: float
    beats_per_bar: int
    key: int  # semitones over C
    scale: tuple[int, ...]
    roots: tuple[int, ...]  # degrees of the chords, one a bar, over and over
    parts: tuple[Part, ...]
    phrases: tuple[tuple[float, float], ...] = ()  # of the lead voice, in seconds
    rests: frozenset[tuple[str, str]] = frozenset()

    def seconds_at(self, bar: float, beat: float = 1.0) -> float:
        """Return the time of a beat of a bar, both counted from 1."""
        return ((bar - 1) * self.beats_per_bar + beat - 1.0) * 60.0 / self.bpm

    @property
    def bars(self) -> int:
        """How many bars there are before the last chord."""
        return self.parts[-1].bar + self.parts[-1].bars - 1

    @property
    def last_hit_s(self) -> float:
        """When the last chord is struck; it rings for `RING_S`."""
        return self.seconds_at(self.bars + 1)

    @property
    def frames(self) -> int:
        """Length of every recording in samples."""
        return round((self.last_hit_s + RING_S) * RATE_HZ)

    @cached_property
    def loudest(self) -> Part:
        """The section that is played hardest."""
        return max(self.parts, key=lambda part: part.level_db)

    def span_s(self, part: Part) -> tuple[float, float]:
        """Return when a section begins and when its last bar ends."""
        return self.seconds_at(part.bar), self.seconds_at(part.bar + part.bars)

    def part_at(self, seconds: float) -> Part:
        """Return the section that a time lies in; the last one goes on to the end."""
        begun = [p for p in self.parts if self.seconds_at(p.bar) <= seconds + 0.03]
        return begun[-1] if begun else self.parts[0]

    def chord(self, bar: int, lowest: int) -> list[int]:
        """Return the three notes (MIDI) of a bar's chord, each the first at `lowest` or above."""
        degrees = [self.roots[(bar - 1) % len(self.roots)] + third for third in (0, 2, 4)]
        names = [self.key + self.scale[degree % 7] for degree in degrees]
        return [lowest + (name - lowest) % 12 for name in names]


def random_score(rng: Random) -> Score:
    """Return tempo, key, chords and sections of a song of about 15 seconds and its ring."""
    bpm = float(rng.integers(70, 151))
    beats = int(rng.choice([4, 4, 3]))
    bars = round(rng.uniform(13.4, 15.4) * bpm / 60.0 / beats)
    shortest = int(np.ceil(3.3 * bpm / 60.0 / beats))
    count = int(rng.integers(2, max(2, min(4, bars // shortest)) + 1))
    lengths = shortest + rng.multinomial(bars - count * shortest, np.full(count, 1.0 / count))
    loudest = int(rng.integers(count))
    names = list(rng.permutation(["verse", "intro", "bridge", "outro"]))
    parts, bar = [], 1
    for index, length in enumerate(lengths):
        loud = index == loudest
        level_db = 0.0 if loud else -round(float(rng.uniform(4.0, 6.0)), 1)
        name = "chorus" if loud else str(names[index])
        parts.append(Part(name, bar, int(length), level_db))
        bar += int(length)
    scale = (MAJOR, MINOR)[rng.integers(2)]
    roots = (0, *(int(degree) for degree in rng.permutation([1, 2, 3, 4, 5])[:3]))
    return Score(bpm, beats, int(rng.integers(12)), scale, roots, tuple(parts))


def with_phrases(score: Score, rng: Random) -> Score:
    """Give the lead voice phrases of 1.5 to 3 s, breaths of 0.6 to 1 s, none across sections."""
    phrases = []
    for part in score.parts:
        first, last = score.span_s(part)
        breath_s = rng.uniform(0.6, 1.0)
        count = max(1, round((last - first) / (2.2 + breath_s)))
        length = min(3.0, (last - first) / count - breath_s)
        for index in range(count):
            start = first + 0.55 * breath_s + index * (length + breath_s)
            phrases.append((round(start, 3), round(start + length, 3)))
    return replace(score, phrases=tuple(phrases))


class Note(NamedTuple):
    """A note: when, which (MIDI), how long, how loud, and from where (-1 left to 1 right)."""

    start_s: float
    midi: int
    seconds: float
    level_db: float
    place: float = 0.0


@dataclass(frozen=True)
class Timbre:
    """A string, reed or oscillator.

    Harmonics fall as ``n ** -tilt`` up to `top_hz`; `struck` is where on the string it is struck.
    """

    tilt: float
    top_hz: float
    decay_s: float
    attack_s: float = 0.003
    release_s: float = 0.06
    struck: float = 0.5
    bright_s: float = 0.25  # how long the upper harmonics last


def hertz(midi: float) -> float:
    """Return the frequency of a note.

    >>> hertz(69)
    440.0
    """
    return float(440.0 * 2.0 ** ((midi - 69) / 12.0))


def gain(level_db: float) -> float:
    """Return the factor that a level in dB stands for."""
    return float(10.0 ** (level_db / 20.0))


@lru_cache(maxsize=128)
def _cycle(midi: int, timbre: Timbre, tilt: float) -> Wave:
    """One cycle of a note, RMS 1, without anything above `top_hz`."""
    order = np.arange(1, max(2, int(timbre.top_hz / hertz(midi)) + 1))
    level = order**-tilt * np.abs(np.sin(np.pi * order * timbre.struck)).clip(0.05)
    phases = 2.0 * np.pi * np.outer(np.arange(TABLE) / TABLE, order) + 1.7 * order**2
    cycle = np.sin(phases) @ level
    return np.asarray(cycle / cycle.std(), dtype=np.float32)


@lru_cache(maxsize=64)  # those of one part
def _tone(midi: int, seconds: float, timbre: Timbre, cents: float) -> Wave:
    """A note of RMS about 1 at first, dark after `bright_s`, released after `seconds`."""
    time = np.arange(round((seconds + 4.0 * timbre.release_s) * RATE_HZ), dtype=np.float32)
    turn = hertz(midi + cents / 100.0) / RATE_HZ * np.arange(len(time)) + 0.05 * cents
    index = (turn * TABLE).astype(np.int64) & (TABLE - 1)
    time /= RATE_HZ
    bright = np.exp(-time / timbre.bright_s)
    sound = _cycle(midi, timbre, timbre.tilt + 0.9)[index] * (1.0 - bright)
    sound += _cycle(midi, timbre, timbre.tilt)[index] * bright
    sound *= np.exp(-time / timbre.decay_s) * (1.0 - np.exp(-time / timbre.attack_s))
    return np.asarray(sound * np.exp(-np.maximum(0.0, time - seconds) / timbre.release_s))


def add_at(track: Wave, sound: Wave, start_s: float, level: float = 1.0) -> None:
    """Add a mono sound to one channel of a track."""
    at = round(start_s * RATE_HZ)
    fits = min(len(sound), len(track) - at)
    if fits > 0:
        track[at : at + fits] += sound[:fits] * np.float32(level)


def sounded(score: Score, notes: list[Note], timbre: Timbre, channels: int) -> Wave:
    """Return notes as sound; two channels are two strings a little out of tune."""
    track = np.zeros((score.frames, channels), dtype=np.float32)
    for note in notes:
        level = gain(note.level_db + score.part_at(note.start_s).level_db)
        seconds = round(note.seconds, 3)
        for channel in range(channels):
            cents = (0.0, 0.0) if channels == 1 else (-0.3, 0.3)
            angle = (note.place * (1, -1)[channel] + 1.0) * 0.25 * np.pi
            share = np.cos(angle) if channels == 2 else 1.0
            tone = _tone(note.midi, seconds, timbre, cents[channel])
            add_at(track[:, channel], tone, note.start_s, level * share)
    return track


def band(noise: Wave, low_hz: float, high_hz: float) -> Wave:
    """Return what lies between two frequencies, falling off smoothly beyond them; RMS 1."""
    hz = np.fft.rfftfreq(len(noise), 1.0 / RATE_HZ).clip(1.0)
    shape = 1.0 / np.sqrt((1.0 + (low_hz / hz) ** 12) * (1.0 + (hz / high_hz) ** 12))
    found = np.fft.irfft(np.fft.rfft(noise) * shape, len(noise))
    return np.asarray(found / found.std(), dtype=np.float32)


def _hiss(rng: Random, seconds: float, low_hz: float, high_hz: float, decay_s: float) -> Wave:
    time = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    noise = rng.standard_normal(len(time)).astype(np.float32)
    fade = np.exp(-time / decay_s) * (1.0 - np.exp(-time / 0.0005))
    return np.asarray(band(noise, low_hz, high_hz) * fade, dtype=np.float32)


def _drum(seconds: float, low_hz: float, sweep_hz: float, decay_s: float) -> Wave:
    time = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    turn = low_hz * time + sweep_hz * 0.025 * (1.0 - np.exp(-time / 0.025))
    shape = np.exp(-time / decay_s) * (1.0 - np.exp(-time / 0.001))
    return np.asarray(np.sin(2.0 * np.pi * turn) * shape, dtype=np.float32)


def _joined(*sounds: Wave) -> Wave:
    whole = np.zeros(max(len(sound) for sound in sounds), dtype=np.float32)
    for sound in sounds:
        whole[: len(sound)] += sound
    return whole


def _steps(score: Score, per_beat: int) -> Iterator[tuple[int, float, float]]:
    """Yield every step of the song: bar, beat and seconds."""
    for bar in range(1, score.bars + 1):
        for step in range(score.beats_per_bar * per_beat):
            beat = 1.0 + step / per_beat
            yield bar, beat, score.seconds_at(bar, beat)


def _struck(
    score: Score, name: str, hits: list[tuple[float, float]], sounds: list[list[Wave]], rng: Random
) -> Wave:
    """Play hits ``(seconds, dB)``, each with one of several sounds, one wave for each channel."""
    track = np.zeros((score.frames, len(sounds[0])), dtype=np.float32)
    for start_s, level_db in hits:
        part = score.part_at(start_s)
        if (name, part.name) in score.rests:
            continue
        level = gain(level_db + part.level_db + rng.normal(0.0, 0.5))
        late = abs(rng.normal(0.0, 0.002))
        for channel, sound in enumerate(sounds[rng.integers(len(sounds))]):
            add_at(track[:, channel], sound, start_s + late, level)
    return track


def _kick(score: Score, name: str, rng: Random) -> Wave:
    low_hz = rng.uniform(50.0, 60.0)
    click = [_hiss(rng, 0.03, 1800.0, 6000.0, 0.004) * np.float32(0.25) for _ in range(3)]
    sounds = [[_joined(_drum(0.5, low_hz, 110.0, 0.09), each)] for each in click]
    extra = {1.0} | ({3.0} if score.beats_per_bar == 4 else set())
    extra |= {float(rng.choice([2.5, 3.5]))} if rng.random() < 0.6 else set()
    hits = [(s, 0.0 if beat == 1.0 else -1.5) for _, beat, s in _steps(score, 2) if beat in extra]
    return _struck(score, name, [*hits, (score.last_hit_s, 0.0)], sounds, rng)


def _snare(score: Score, name: str, rng: Random) -> Wave:
    tone = _joined(_drum(0.3, rng.uniform(175, 200), 60.0, 0.06), _drum(0.2, 331.0, 40.0, 0.03))
    rattle = [_hiss(rng, 0.4, 1200.0, 9000.0, 0.07) * np.float32(0.45) for _ in range(3)]
    backbeat = {2.0, 4.0} if score.beats_per_bar == 4 else {2.0, 3.0}
    hits = [(s, 0.0) for _, beat, s in _steps(score, 1) if beat in backbeat]
    return _struck(score, name, hits, [[_joined(tone, each)] for each in rattle], rng)


def _overheads(score: Score, name: str, rng: Random) -> Wave:
    def pair(seconds: float, decay_s: float, level: float) -> list[Wave]:
        shared, *own = (_hiss(rng, seconds, 3500.0, 13000.0, decay_s) for _ in range(3))
        return [(shared * np.float32(0.6) + each) * np.float32(level) for each in own]

    ride = [pair(0.6, 0.12, 0.3) for _ in range(3)]
    crashes = [pair(2.4, 0.45, 0.5)]
    track = _struck(score, name, [(s, -3.0) for _, _, s in _steps(score, 1)], ride, rng)
    starts = [score.seconds_at(part.bar) for part in score.parts]
    hits = [(s, 0.0) for s in [*starts, score.last_hit_s]]
    return np.asarray(track + _struck(score, name, hits, crashes, rng))


def _shaken(low_hz: float, decay_s: float, per_beat: int) -> Callable[[Score, str, Random], Wave]:
    def shaken(score: Score, name: str, rng: Random) -> Wave:
        sounds = [[_hiss(rng, 0.2, low_hz, 14000.0, decay_s)] for _ in range(4)]
        hits = [(s, 0.0 if beat % 1 == 0 else -5.0) for _, beat, s in _steps(score, per_beat)]
        return _struck(score, name, hits, sounds, rng)

    return shaken


def _bass(score: Score, name: str, rng: Random) -> Wave:
    beat_s = 60.0 / score.bpm
    notes = []
    for bar, beat, seconds in _steps(score, 1):
        root = score.chord(bar, 28)[0]
        midi = root + 7 if beat == 3.0 and root <= 36 and rng.random() < 0.5 else root
        accent_db = 0.0 if beat in (1.0, 3.0) else -2.0
        notes += [Note(seconds, midi, 0.45 * beat_s, rng.normal(accent_db, 1.5))]
        notes += [Note(seconds + 0.5 * beat_s, midi, 0.4 * beat_s, rng.normal(-4.0, 1.5))]
    notes.append(Note(score.last_hit_s, score.chord(1, 28)[0], 0.9, 0.0))
    timbre = Timbre(tilt=1.0, top_hz=2500.0, decay_s=0.5, struck=0.17, bright_s=0.15)
    return sounded(score, _kept(score, name, notes), timbre, 1)


def _kept(score: Score, name: str, notes: list[Note]) -> list[Note]:
    return [n for n in notes if (name, score.part_at(n.start_s).name) not in score.rests]


def _strummed(timbre: Timbre, lowest: int) -> Callable[[Score, str, Random], Wave]:
    def strummed(score: Score, name: str, rng: Random) -> Wave:
        accents = rng.uniform(-6.0, 0.0, 2 * score.beats_per_bar)
        accents[0] = 0.0
        notes = []
        for bar, beat, seconds in _steps(score, 2):
            chord = sorted(score.chord(bar, lowest))
            level_db = accents[round(2 * (beat - 1))] + rng.normal(0.0, 0.7)
            for string, midi in enumerate([*chord, chord[0] + 12]):
                start_s = seconds + 0.009 * string + abs(rng.normal(0.0, 0.003))
                notes.append(Note(start_s, midi, round(27.0 / score.bpm, 3), level_db))
        last = sorted(score.chord(1, lowest))
        notes += [Note(score.last_hit_s + 0.012 * at, m, 1.0, 1.0) for at, m in enumerate(last)]
        return sounded(score, _kept(score, name, notes), timbre, 1)

    return strummed


def _picked(timbre: Timbre, lowest: int) -> Callable[[Score, str, Random], Wave]:
    def picked(score: Score, name: str, rng: Random) -> Wave:
        order = rng.permutation(6)
        notes = []
        for bar, beat, seconds in _steps(score, 2):
            chord = sorted(score.chord(bar, lowest))
            strings = [*chord, *(midi + 12 for midi in chord)]
            midi = strings[order[round(2 * (beat - 1)) % 6]]
            start_s = seconds + 0.006 + abs(rng.normal(0.0, 0.004))
            notes.append(Note(start_s, midi, round(54.0 / score.bpm, 3), rng.normal(0.0, 1.0)))
        last = sorted(score.chord(1, lowest))
        notes += [Note(score.last_hit_s + 0.02 * at, m, 1.0, 0.0) for at, m in enumerate(last)]
        return sounded(score, _kept(score, name, notes), timbre, 1)

    return picked


def _held(timbre: Timbre, lowest: int) -> Callable[[Score, str, Random], Wave]:
    def held(score: Score, name: str, rng: Random) -> Wave:
        bar_s = score.seconds_at(2)
        notes = []
        for bar in range(1, score.bars + 2):
            chord = score.chord(1 if bar > score.bars else bar, lowest)
            length_s = 0.9 if bar > score.bars else 0.96 * bar_s
            for midi, place in zip(chord, rng.permutation([-0.5, 0.0, 0.5]), strict=True):
                start_s = score.seconds_at(bar) + 0.004 + abs(rng.normal(0.0, 0.006))
                notes.append(Note(start_s, midi, round(length_s, 3), 0.0, float(place)))
        return sounded(score, _kept(score, name, notes), timbre, 2)

    return held


VOWELS_HZ: tuple[tuple[int, ...], ...] = (
    (750, 1250, 2600, 3500),
    (330, 2150, 2900, 3600),
    (480, 900, 2500, 3400),
    (560, 1750, 2550, 3550),
)
FORMANT_GAINS, FORMANT_WIDTHS_HZ = (1.0, 0.9, 0.7, 0.5), (110.0, 140.0, 200.0, 260.0)


def _vowel(hz: NDArray[Any], formants_hz: tuple[int, ...]) -> NDArray[Any]:
    found = np.full(len(hz), 0.03)
    for centre, level, width in zip(formants_hz, FORMANT_GAINS, FORMANT_WIDTHS_HZ, strict=True):
        found += level / (1.0 + ((hz - centre) / width) ** 2)
    return found


def _smooth(curve: NDArray[np.float64], seconds: float) -> NDArray[np.float64]:
    window = np.hanning(max(3, round(seconds * GRID_HZ) + 2))
    padded = np.pad(curve, len(window) // 2, mode="edge")
    return np.convolve(padded, window / window.sum(), "same")[len(window) // 2 :][: len(curve)]


def _sung(seconds: float, pitches: list[int], rng: Random, syllable_s: float) -> Wave:
    """Return one phrase: syllables with moving vowels, hissed consonants, a falling end."""
    size = round(seconds * GRID_HZ)
    count = max(2, round(seconds / syllable_s))
    edges = np.sort(np.linspace(0, size, count + 1) + rng.normal(0.0, 1.5, count + 1)).round()
    edges[0], edges[-1] = 0, size
    midi, level, which = np.zeros(size), np.zeros(size), np.zeros((len(VOWELS_HZ), size))
    bursts = []
    for at, (first, last) in enumerate(zip(edges[:-1].astype(int), edges[1:].astype(int))):  # noqa: B905 - one shorter
        midi[first:last] = pitches[(at // 2) % len(pitches)]
        level[first + min(10, (last - first) // 3) : last] = gain(rng.normal(0.0, 1.0))
        which[rng.integers(len(VOWELS_HZ)), first:last] = 1.0
        if rng.random() < 0.75:
            bursts.append((first / GRID_HZ, rng.uniform(0.04, 0.07), rng.uniform(2500.0, 5000.0)))
    level = _smooth(level, 0.05) * np.linspace(1.0, 0.75, size)
    level *= np.minimum(1.0, np.minimum(np.arange(size), np.arange(size)[::-1]) / 8.0)
    midi = _smooth(midi, 0.06) + 0.25 * np.sin(np.arange(size) / GRID_HZ * 2 * np.pi * 5.4)
    place = np.arange(round(seconds * RATE_HZ)) * (GRID_HZ / RATE_HZ)
    grid = np.arange(size)
    pitch = 440.0 * 2.0 ** ((np.interp(place, grid, midi) - 69.0) / 12.0)
    glottis = _cycle(60, Timbre(0.7, 6200.0, 1.0, struck=0.29), 0.7)
    source = glottis[(np.cumsum(pitch) / RATE_HZ * TABLE).astype(np.int64) & (TABLE - 1)]
    hz, spectrum = np.fft.rfftfreq(len(source), 1.0 / RATE_HZ), np.fft.rfft(source)
    voice = np.zeros(len(source))
    for formants_hz, share in zip(VOWELS_HZ, which, strict=True):
        shaped = np.fft.irfft(spectrum * _vowel(hz, formants_hz), len(source))
        voice += shaped / shaped.std() * np.interp(place, grid, _smooth(share, 0.07))
    voice *= np.interp(place, grid, level)
    sound = voice.astype(np.float32)
    for start_s, length_s, low_hz in bursts:
        add_at(sound, _hiss(rng, length_s, low_hz, 8000.0, 0.03), start_s, 0.35)
    return sound


def _voice(lowest: int, syllable_s: float) -> Callable[[Score, str, Random], Wave]:
    def voice(score: Score, name: str, rng: Random) -> Wave:
        track = np.zeros((score.frames, 1), dtype=np.float32)
        for start_s, end_s in score.phrases:
            part = score.part_at(start_s)
            if (name, part.name) in score.rests:
                continue
            bar = int(start_s / score.seconds_at(2)) + 1
            chord = score.chord(bar, lowest)
            pitches = [int(rng.choice(chord)) for _ in range(4)]
            late_s = 0.0 if name == "lead_vocal" else abs(rng.normal(0.02, 0.01))
            sound = _sung(end_s - start_s, pitches, rng, syllable_s)
            level = gain(0.6 * part.level_db + rng.uniform(-0.3, 0.3))
            add_at(track[:, 0], sound, start_s + late_s, level)
        return track

    return voice


_STRING = Timbre(tilt=0.8, top_hz=5000.0, decay_s=0.6, struck=0.21, bright_s=0.2)
_TINE = Timbre(tilt=1.3, top_hz=4000.0, decay_s=1.1, struck=0.3, bright_s=0.4, release_s=0.12)
_REED = Timbre(tilt=1.0, top_hz=3500.0, decay_s=9.0, attack_s=0.02, release_s=0.08, struck=0.35)
_BOWED = Timbre(0.9, 3000.0, 9.0, attack_s=0.12, release_s=0.25, struck=0.4, bright_s=2.0)
INSTRUMENTS: dict[str, Callable[[Score, str, Random], Wave]] = {
    "kick": _kick,
    "snare": _snare,
    "overheads": _overheads,
    "hat": _shaken(6500.0, 0.03, 2),
    "shaker": _shaken(4500.0, 0.05, 4),
    "bass": _bass,
    "guitar_left": _strummed(_STRING, 45),
    "guitar_right": _picked(Timbre(0.7, 5000.0, 0.8, struck=0.13, bright_s=0.3), 57),
    "acoustic": _strummed(Timbre(0.6, 7000.0, 0.5, struck=0.11, bright_s=0.15), 55),
    "keys": _held(_TINE, 60),
    "organ": _held(_REED, 62),
    "pad": _held(_BOWED, 57),
    "synth": _picked(Timbre(0.9, 6000.0, 0.5, struck=0.5, bright_s=0.1), 69),
    "lead_vocal": _voice(55, 0.22),
    "backing_vocal": _voice(59, 0.3),
    "backing_high": _voice(62, 0.3),
}


def play(name: str, score: Score, rng: Random) -> Wave:
    """Return one track as recorded, shape (frames, channels).

    It peaks at -12 to -6 dBFS over a floor of noise at -84 to -78 dBFS.
    """
    track = INSTRUMENTS[name](score, name, rng)
    track *= np.float32(gain(rng.uniform(-12.0, -6.0)) / np.abs(track).max())
    floor = gain(rng.uniform(-84.0, -78.0))
    track += rng.standard_normal(track.shape, dtype=np.float32) * np.float32(floor)
    return track
