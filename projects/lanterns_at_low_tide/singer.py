"""A singing voice from first principles: glottal pulses, moving formants, breath and consonants.

The source and filter are kept apart, as in the acoustic theory of speech: pulses with vibrato,
jitter and shimmer, plus breath, run through the resonances of a vocal tract that moves from sound
to sound. Hisses and bursts of consonants are added beside them.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from recording_faults import Audio, add_at, band, decibels, generator, seconds_of_silence
from scipy.ndimage import gaussian_filter1d
from score import RATE_HZ, Syllable, seconds_at

Wave = NDArray[np.float64]

HOP = 256
FRAME = 1024
PADDED = 2048
TRACT_BINS = 512  # the resonances matter up to 12 kHz
AIR = np.float32(0.02)  # a little goes past the resonances: breath above 10 kHz

# The first four resonances of the tract in Hz, rounded averages for a light adult voice.
FORMANTS: dict[str, tuple[float, float, float, float]] = {
    "i": (320, 2200, 2850, 3500),
    "I": (430, 1950, 2600, 3450),
    "e": (570, 1800, 2550, 3400),
    "ae": (700, 1650, 2450, 3400),
    "a": (760, 1180, 2500, 3350),
    "o": (600, 900, 2500, 3300),
    "oh": (500, 870, 2450, 3250),
    "u": (360, 900, 2350, 3250),
    "uh": (640, 1220, 2500, 3350),
    "er": (490, 1350, 1700, 3100),
    "m": (280, 1000, 2200, 3200),
    "n": (280, 1450, 2400, 3300),
    "l": (360, 1050, 2700, 3300),
    "r": (380, 1150, 1600, 3000),
    "w": (320, 680, 2200, 3200),
}
GLIDES = {"ai": ("a", "I"), "ei": ("e", "i"), "ou": ("oh", "u")}
VOWELS = {"i", "I", "e", "ae", "a", "o", "u", "uh", "er", *GLIDES}


class Consonant(NamedTuple):
    """Length in s, voicing 0..1, breath 0..1, noise band in Hz (0 for none), noise level in dB."""

    seconds: float
    voicing: float
    breath: float = 0.0
    low_hz: float = 0.0
    high_hz: float = 0.0
    noise_db: float = -100.0
    burst: bool = False


CONSONANTS = {
    "m": Consonant(0.075, 0.45),
    "n": Consonant(0.065, 0.45),
    "l": Consonant(0.07, 0.6),
    "r": Consonant(0.07, 0.6),
    "w": Consonant(0.08, 0.5),
    "h": Consonant(0.075, 0.0, breath=1.0),
    "s": Consonant(0.11, 0.0, 0.0, 4800, 11500, -15),
    "z": Consonant(0.08, 0.3, 0.0, 4800, 11000, -21),
    "f": Consonant(0.09, 0.0, 0.0, 1800, 10000, -26),
    "v": Consonant(0.06, 0.35, 0.0, 1800, 8000, -32),
    "dh": Consonant(0.05, 0.35, 0.0, 1500, 7000, -32),
    "t": Consonant(0.07, 0.0, 0.3, 3000, 9500, -12, True),
    "k": Consonant(0.08, 0.0, 0.4, 1400, 4200, -13, True),
    "p": Consonant(0.075, 0.0, 0.3, 400, 2500, -14, True),
    "d": Consonant(0.055, 0.12, 0.0, 2500, 8000, -19, True),
}


class Singer(NamedTuple):
    """Who sings: size of the tract, vibrato, breathiness, looseness, and the chance of a scoop."""

    name: str
    tract_scale: float = 1.0
    vibrato_cents: float = 32.0
    vibrato_hz: float = 5.4
    breath: float = 0.12
    loose_ms: float = 8.0
    loose_cents: float = 9.0


class Sound(NamedTuple):
    """One speech sound with its time in seconds from the start of the phrase."""

    start: float
    stop: float
    name: str


def _phrases(sung: list[Syllable]) -> list[list[Syllable]]:
    """Split a part where the singer breathes: at gaps of more than 0.45 s."""
    phrases: list[list[Syllable]] = []
    last_end = -10.0
    for syllable in sung:
        if seconds_at(syllable.bar, syllable.beat) - last_end > 0.45:
            phrases.append([])
        phrases[-1].append(syllable)
        last_end = seconds_at(syllable.bar, syllable.beat + syllable.beats)
    return phrases


def _split(sounds: str) -> tuple[list[str], str, list[str]]:
    """Return the consonants before, the vowel, and the consonants after."""
    parts = sounds.split()
    at = next(index for index, name in enumerate(parts) if name in VOWELS)
    return parts[:at], parts[at], parts[at + 1 :]


def _length(names: list[str]) -> float:
    return sum(CONSONANTS[name].seconds for name in names)


def _spoken(phrase: list[Syllable], starts: list[float], ends: list[float]) -> list[Sound]:
    """Return the sounds of a phrase: vowels fall on the beat, consonants come before it."""
    found: list[Sound] = []
    for index, syllable in enumerate(phrase):
        onset, vowel, coda = _split(syllable.sounds)
        clock = starts[index] - _length(onset)
        for name in onset:
            found.append(Sound(clock, clock + CONSONANTS[name].seconds, name))
            clock += CONSONANTS[name].seconds
        limit = ends[index]
        if index + 1 < len(phrase):
            limit = min(limit, starts[index + 1] - _length(_split(phrase[index + 1].sounds)[0]))
        close = max(clock + 0.07, limit - _length(coda))
        turn = clock + 0.6 * (close - clock)
        first, second = GLIDES.get(vowel, (vowel, vowel))
        found += [Sound(clock, turn, first), Sound(turn, close, second)]
        for name in coda:
            found.append(Sound(close, close + CONSONANTS[name].seconds, name))
            close += CONSONANTS[name].seconds
    return found


def _control_curves(sounds: list[Sound], frames: int, scale: float) -> tuple[Wave, Wave, Wave]:
    """Return formants (frames, 4), voicing and breath (frames,), smoothed as muscles smooth."""
    formants = np.zeros((frames, 4))
    voicing, breath = np.zeros(frames), np.zeros(frames)
    target = np.array(FORMANTS["uh"])
    formants[:] = next((FORMANTS[s.name] for s in sounds if s.name in FORMANTS), FORMANTS["uh"])
    for sound in sounds:
        start, stop = (round(t * RATE_HZ / HOP) for t in (sound.start, sound.stop))
        target = np.array(FORMANTS.get(sound.name, tuple(target)))
        formants[start:] = target
        consonant = CONSONANTS.get(sound.name)
        voicing[start:stop] = consonant.voicing if consonant else 1.0
        breath[start:stop] = consonant.breath if consonant else 0.0
    return (
        scale * gaussian_filter1d(formants, 5.0, axis=0, mode="nearest"),
        gaussian_filter1d(voicing, 2.2),
        gaussian_filter1d(breath, 2.0),
    )


def _slow_wander(frames: int, sigma: float, rng: np.random.Generator) -> Wave:
    """Return a smooth random curve of unit deviation."""
    wander = gaussian_filter1d(rng.standard_normal(frames + 8), sigma)[:frames]
    return np.asarray(wander / (np.std(wander) + 1e-12))


def _pitch_curve(
    phrase: list[Syllable],
    starts: list[float],
    ends: list[float],
    frames: int,
    singer: Singer,
    rng: np.random.Generator,
) -> Wave:
    """Return the pitch in Hz per frame: the notes, joined by glides, with scoops and vibrato."""
    midi = np.full(frames, float(phrase[0].pitches[0]))
    vibrato = np.zeros(frames)
    time = np.arange(frames) * HOP / RATE_HZ
    for syllable, start, end in zip(phrase, starts, ends, strict=True):
        parts = len(syllable.pitches)
        for index, pitch in enumerate(syllable.pitches):
            begin = start + (end - start) * index / parts
            midi[time >= begin - 0.03] = pitch + singer.loose_cents / 100 * rng.standard_normal()
        if end - start > 0.3:
            scoop = 0.5 * rng.random()
            midi -= scoop * np.exp(-np.maximum(0, time - start) / 0.06) * (time >= start)
        inside = np.clip((time - start - 0.22) / 0.35, 0.0, 1.0) * (time < end + 0.1)
        vibrato = np.maximum(vibrato, inside if end - start > 0.45 else 0.0)
    midi = gaussian_filter1d(midi, 4.5, mode="nearest")
    rate = singer.vibrato_hz + 0.25 * _slow_wander(frames, 40.0, rng)
    sway = np.sin(2 * np.pi * np.cumsum(rate) * HOP / RATE_HZ + 6.28 * rng.random())
    cents = singer.vibrato_cents * gaussian_filter1d(vibrato, 8.0) * sway
    cents += 7.0 * _slow_wander(frames, 25.0, rng) + 3.0 * _slow_wander(frames, 1.5, rng)
    return np.asarray(440.0 * 2.0 ** ((midi - 69.0) / 12.0 + cents / 1200.0))


def _pulse_table(tilt_db: float) -> Wave:
    """Return one cycle of glottal flow, already differentiated as lips radiate it.

    Harmonics fall about 6 dB per octave above the glottal peak, faster for a soft voice.
    """
    phase = 2.0 * np.pi * np.arange(4096) / 4096
    order = np.arange(1, 41)
    level = order**-1.0 * decibels(-tilt_db) ** np.log2(order)
    level[0] *= 1.3
    return np.asarray(
        (level[:, None] * np.cos(order[:, None] * phase + 0.35 * order[:, None])).sum(axis=0)
    )


PULSES = {"soft": _pulse_table(0.0), "strong": _pulse_table(-3.0)}


def _level_curve(
    phrase: list[Syllable],
    starts: list[float],
    ends: list[float],
    frames: int,
    rng: np.random.Generator,
) -> Wave:
    """Return the level in dB per frame: every syllable its own, long notes swelling and fading."""
    level = np.full(frames, phrase[0].level_db)
    time = np.arange(frames) * HOP / RATE_HZ
    for syllable, start, end in zip(phrase, starts, ends, strict=True):
        here = time >= start - 0.05
        along = np.clip((time[here] - start) / max(0.1, end - start), 0.0, 1.0)
        arc = 1.5 * np.sin(np.pi * along) - 3.0 * along**2
        # Notes come out uneven; high ones louder, as they do.
        effort = 0.15 * (max(syllable.pitches) - 66) + rng.normal(0.0, 1.1)
        level[here] = syllable.level_db + effort + arc
    return gaussian_filter1d(level, 5.0, mode="nearest")


def _source(
    pitch: Wave,
    level_db: Wave,
    voicing: Wave,
    breath: Wave,
    singer: Singer,
    rng: np.random.Generator,
) -> Wave:
    """Return what leaves the glottis: pulses by effort, breath that pulses with them."""
    length = len(pitch) * HOP
    place = np.arange(length) / HOP
    frames = np.arange(len(pitch))

    def fine(curve: Wave) -> Wave:
        return np.interp(place, frames, curve)

    cycles = np.cumsum(fine(pitch)) / RATE_HZ
    index = ((cycles % 1.0) * 4096).astype(np.int64) & 4095
    effort = fine(np.clip((level_db + 9.0) / 10.0, 0.0, 1.0))
    pulses = effort * PULSES["strong"][index] + (1.0 - effort) * PULSES["soft"][index]
    shimmer = 1.0 + 0.05 * _slow_wander(len(pitch), 1.2, rng)
    noise = rng.standard_normal(length)
    airy = singer.breath * (0.5 + 0.5 * np.cos(2.0 * np.pi * cycles)) * fine(voicing)
    loud = 10.0 ** (fine(level_db) / 20.0)
    return loud * (pulses * fine(voicing * shimmer) + noise * (airy + 0.09 * fine(breath)))


def _resonance(hz: NDArray[np.float32], centre: Wave, width: Wave) -> NDArray[np.complex64]:
    """Return the response of one resonance of unit gain at 0 Hz, (frames, bins)."""
    square = (centre.astype(np.float32) ** 2)[:, None]
    return square / (square - hz**2 + 1j * hz * width.astype(np.float32)[:, None])


def _evened(response: NDArray[np.complex64], pitch: Wave) -> NDArray[np.float32]:
    """Return a gain per frame that evens out vowels, most of the way, as a trained singer does.

    A resonance that happens to meet a harmonic would else make a syllable 10 dB louder.
    """
    order = np.arange(1, 13)
    bins = np.rint(np.outer(pitch, order) * PADDED / RATE_HZ).astype(np.int64)
    heard = np.abs(np.take_along_axis(response, np.minimum(bins, TRACT_BINS - 1), axis=1)) / order
    strength = np.sqrt(np.sum(heard**2, axis=1))
    return gaussian_filter1d(strength**-0.6, 3.0).astype(np.float32)


def _through_tract(source: Wave, formants: Wave, pitch: Wave) -> Wave:
    """Run the source through the moving tract, frame by frame in the frequency domain."""
    frames = len(formants)
    hz = np.fft.rfftfreq(PADDED, 1.0 / RATE_HZ).astype(np.float32)[:TRACT_BINS]
    moved = formants.copy()
    # A singer opens the jaw so that the first resonance never falls below the sung note.
    moved[:, 0] = np.maximum(moved[:, 0], 1.04 * pitch)
    widths = np.array([70.0, 85.0, 120.0, 170.0]) + 0.02 * moved
    # The tract has a resonance in every kilohertz above; without them a voice sounds shut in.
    upper = np.ones((1, len(hz)), dtype=np.complex64)
    for centre in (4300.0, 5300.0, 6400.0, 7500.0, 8600.0, 9700.0):
        upper *= _resonance(hz, np.array([centre]), np.array([0.07 * centre]))
    response = upper * _resonance(hz, moved[:, 0], widths[:, 0])
    for index in range(1, 4):
        response *= _resonance(hz, moved[:, index], widths[:, index])
    response *= _evened(response, pitch)[:, None]
    padded = np.concatenate([np.zeros(FRAME), source, np.zeros(FRAME)]).astype(np.float32)
    window = np.hanning(FRAME + 1)[:FRAME].astype(np.float32)
    picks = (np.arange(frames) * HOP + FRAME // 2)[:, None] + np.arange(FRAME)
    spectra = np.fft.rfft(padded[picks] * window, PADDED)
    spectra[:, :TRACT_BINS] *= response + AIR
    spectra[:, TRACT_BINS:] *= AIR
    return _overlapped(np.fft.irfft(spectra, PADDED), len(source))


def _overlapped(pieces: Wave, length: int) -> Wave:
    """Add overlapping frames back together; the windows sum to two."""
    frames = len(pieces)
    hops = PADDED // HOP
    out = np.zeros((frames + hops, HOP))
    for hop in range(hops):
        out[hop : hop + frames] += pieces[:, hop * HOP : (hop + 1) * HOP]
    return 0.5 * out.ravel()[FRAME // 2 : FRAME // 2 + length]


def _hiss(sound: Sound, consonant: Consonant, rng: np.random.Generator) -> Audio:
    """Return the noise of one consonant: a hiss with soft edges, or a burst after a closure."""
    length = round(consonant.seconds * RATE_HZ) + 480
    time = np.arange(length) / RATE_HZ
    if consonant.burst:
        after = time - 0.55 * consonant.seconds
        shape = (after > 0.0) * np.exp(-np.maximum(after, 0.0) / 0.011)
    else:
        shape = np.sin(np.pi * np.clip(time / (length / RATE_HZ), 0.0, 1.0)) ** 0.7
    noise = band(rng.standard_normal(length), consonant.low_hz, consonant.high_hz)
    return noise * (shape * decibels(consonant.noise_db)).astype(np.float32)


def _sing_phrase(
    phrase: list[Syllable], singer: Singer, rng: np.random.Generator
) -> tuple[float, Wave]:
    """Return a phrase and the time in the song at which it starts."""
    begin = seconds_at(phrase[0].bar, phrase[0].beat) - 0.4
    loose = [singer.loose_ms / 1000.0 * rng.standard_normal() for _ in phrase]
    starts = [
        seconds_at(s.bar, s.beat) - begin + late for s, late in zip(phrase, loose, strict=True)
    ]
    ends = [
        seconds_at(s.bar, s.beat + s.beats) - begin + late
        for s, late in zip(phrase, loose, strict=True)
    ]
    frames = round((ends[-1] + 0.5) * RATE_HZ / HOP)
    sounds = _spoken(phrase, starts, ends)
    formants, voicing, breath = _control_curves(sounds, frames, singer.tract_scale)
    pitch = _pitch_curve(phrase, starts, ends, frames, singer, rng)
    level = _level_curve(phrase, starts, ends, frames, rng)
    source = _source(pitch, level, voicing, breath, singer, rng)
    voice = (_through_tract(source, formants, pitch) / 12.0).astype(np.float32)
    for sound in sounds:
        consonant = CONSONANTS.get(sound.name)
        if consonant and consonant.low_hz:
            at = min(frames - 1, round(sound.start * RATE_HZ / HOP))
            loud = 0.9 * decibels(0.6 * float(level[at]))
            add_at(voice, _hiss(sound, consonant, rng), sound.start, loud)
    return begin, voice


def sing(sung: list[Syllable], singer: Singer, seconds: float) -> Audio:
    """Return a whole part as sung, dry, at a level still to be set."""
    rng = generator(f"singer {singer.name}")
    track = seconds_of_silence(seconds)
    for phrase in _phrases(sung):
        if seconds_at(phrase[0].bar, phrase[0].beat) < seconds:
            begin, voice = _sing_phrase(phrase, singer, rng)
            add_at(track, voice, begin)
    return track


def breath_before(sung: list[Syllable], singer: Singer, seconds: float) -> Audio:
    """Return the breaths taken before the phrases."""
    rng = generator(f"breath of {singer.name}")
    track = seconds_of_silence(seconds)
    shape = np.sin(np.linspace(0.0, np.pi, round(0.28 * RATE_HZ))) ** 2
    for phrase in _phrases(sung):
        air = band(rng.standard_normal(len(shape)), 900.0, 6500.0, 1) * shape
        add_at(track, air, seconds_at(phrase[0].bar, phrase[0].beat) - 0.42, 0.018)
    return track
