"""Guitars, bass, electric keys, pad and organ: what plays the chords."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from recording_faults import (
    Audio,
    add_at,
    build_up,
    decibels,
    filtered,
    generator,
    hum,
    room_noise,
    seconds_of_silence,
)
from score import RATE_HZ, Harmony, frequency_hz, harmony, seconds_at, section_of

Wave = NDArray[np.float64]


@lru_cache(maxsize=256)
def plucked_string(midi: int, take: int, decay_s: float, bright: float, pick: float) -> Wave:
    """Return 2.5 seconds of a plucked string.

    A string is a delay that hears its own end again, a little duller each time round. Its response
    is 1 / (1 - loss(z) z^-period); taken on a circle just outside the unit circle it can be turned
    into sound with one inverse transform, exactly in tune and without a loop over the samples.
    `bright` (0 to 1) is how little the loop dulls, `pick` where along the string it is plucked.
    """
    rng = generator(f"string {midi} {take}")
    size = 1 << 17
    growth = np.log(100.0) / size  # what wraps round is down by a further 40 dB
    exponent = growth + 2j * np.pi / size * np.arange(size // 2 + 1)
    period = RATE_HZ / frequency_hz(midi + 0.03 * rng.standard_normal())
    dull = 0.5 * (1.0 - bright)
    per_round = 10.0 ** (-3.0 * period / (decay_s * RATE_HZ))
    loss = per_round * ((1.0 - dull) + dull * np.exp(-exponent))
    loop = loss * np.exp(-(period - dull) * exponent)
    struck = np.zeros(size)
    length = int(period)
    noise = rng.standard_normal(length)
    struck[:length] = noise - noise.mean()
    struck[:length] *= np.exp(-growth * np.arange(length))
    comb = 1.0 - 0.9 * np.exp(-pick * period * exponent)
    wave = np.fft.irfft(np.fft.rfft(struck) * comb / (1.0 - loop), size)[: int(2.5 * RATE_HZ)]
    wave *= np.exp(growth * np.arange(len(wave)))
    return wave / np.sqrt(np.mean(wave[:4800] ** 2))


def _damped(wave: Wave, seconds: float, release_s: float = 0.06) -> Wave:
    """Return a note as long as it is held, let go over a short release."""
    held = wave[: min(len(wave), round((seconds + release_s) * RATE_HZ))].copy()
    fade = min(len(held), round(release_s * RATE_HZ))
    held[len(held) - fade :] *= np.linspace(1.0, 0.0, fade) ** 2
    return held


ARPEGGIO = (0, 2, 3, 1, 2, 3, 1, 2)
STRUM = ((0.0, 1.0), (1.0, 0.7), (1.5, 0.55), (2.0, 0.9), (2.5, 0.5), (3.0, 0.75), (3.5, 0.6))
LIGHT_STRUM = ((0.0, 0.6), (1.5, 0.35), (2.5, 0.4))
GUITAR_FORCE = {
    "intro": 0.7,
    "verse 1": 0.7,
    "chorus 1": 0.8,
    "verse 2": 0.75,
    "bridge": 0.75,
    "chorus 2": 1.0,
    "outro": 0.65,
}


def _arpeggio(track: Audio, entry: Harmony, force: float, rng: np.random.Generator) -> None:
    """Pick a chord in eighths, every string left to ring into the next."""
    for eighth in range(int(entry.beats * 2)):
        note = entry.chord.guitar[ARPEGGIO[eighth % 8] % len(entry.chord.guitar)]
        wave = plucked_string(note, eighth % 2, 3.2, 0.45, 0.17)
        when = seconds_at(entry.bar, entry.beat + eighth / 2) + rng.normal(0.0, 0.005)
        accent = 1.0 if eighth % 4 == 0 else 0.75
        held = _damped(wave, min(1.4, 60.0 / 92.0 * (entry.beats - eighth / 2) + 0.1))
        add_at(track, held, when, force * accent * decibels(float(rng.normal(0.0, 1.0))))


def _strum(
    track: Audio,
    entry: Harmony,
    pattern: tuple[tuple[float, float], ...],
    force: float,
    rng: np.random.Generator,
) -> None:
    """Strum a chord: down on the beat, up between, the strings a few milliseconds apart."""
    inside = [stroke for stroke in pattern if stroke[0] < entry.beats]
    for index, (beat, accent) in enumerate(inside):
        after = inside[index + 1][0] if index + 1 < len(inside) else entry.beats
        up = beat % 1.0 != 0.0
        strings = entry.chord.guitar[::-1][:3] if up else entry.chord.guitar
        when = seconds_at(entry.bar, entry.beat + beat) + rng.normal(0.0, 0.006)
        for place, note in enumerate(strings):
            wave = _damped(plucked_string(note, index % 2, 2.2, 0.6, 0.12), 0.652 * (after - beat))
            gain = 0.55 * force * accent * decibels(float(rng.normal(0.0, 1.2)))
            add_at(track, wave, when + 0.009 * place + rng.normal(0.0, 0.001), gain)


def _through_amplifier(track: Audio) -> Audio:
    """Return a guitar through a small amplifier: rounded peaks, a box near 250 Hz, no top."""
    driven = np.tanh(filtered(track, "high", 70.0, 1) / np.float32(4.0))
    speaker = filtered(build_up(driven, 112.0, 3.0, 2.0), "low", 5200.0, 2)
    return build_up(speaker, 255.0, 5.0, 1.2) / np.float32(5.0)


def guitar_left(seconds: float) -> Audio:
    """Return the picked guitar, the single-coil one that hums."""
    rng = generator("guitar left")
    track = seconds_of_silence(seconds)
    for entry in harmony():
        section = section_of(entry.bar)
        force = GUITAR_FORCE[section]
        if "chorus" in section:
            _strum(track, entry, STRUM, 0.9 * force, rng)
        elif entry.bar == 29:
            _strum(track, entry, ((0.0, 0.8),), force, rng)
        else:
            _arpeggio(track, entry, force, rng)
    return _through_amplifier(track) + hum(len(track), -66.0)


def guitar_right(seconds: float) -> Audio:
    """Return the strummed guitar, which waits for verse 1."""
    rng = generator("guitar right")
    track = seconds_of_silence(seconds)
    for entry in harmony():
        section = section_of(entry.bar)
        if section == "intro":
            continue
        pattern = STRUM if "chorus" in section else LIGHT_STRUM
        _strum(track, entry, pattern, GUITAR_FORCE[section], rng)
    return _through_amplifier(track) + room_noise(len(track), -68.0, rng)


BASS_LINES = {
    "verse 1": ((0.0, 2.3, 0), (2.5, 1.4, 0)),
    "verse 2": ((0.0, 1.6, 0), (1.75, 0.6, 0), (2.5, 1.0, 0), (3.5, 0.45, 7)),
    "chorus 1": ((0.0, 1.4, 0), (1.5, 0.45, 0), (2.0, 0.9, 0), (3.0, 0.45, 12), (3.5, 0.45, 7)),
    "bridge": ((0.0, 1.9, 0), (2.0, 1.9, 0)),
    "outro": ((0.0, 3.9, 0),),
}
BASS_LINES["chorus 2"] = BASS_LINES["chorus 1"]


def bass(seconds: float, from_bar: int = 3) -> Audio:
    """Return the bass, recorded from a bar on: its file starts there, not at bar 1."""
    rng = generator("bass")
    start = seconds_at(from_bar)
    track = seconds_of_silence(max(0.1, seconds - start))
    for entry in harmony():
        for beat, beats, up in BASS_LINES.get(section_of(entry.bar), ()):
            if beat >= entry.beats:
                continue
            wave = plucked_string(entry.chord.bass + up, int(beat * 2) % 2, 4.0, 0.05, 0.21)
            note = _damped(wave, 0.652 * min(beats, entry.beats - beat), 0.05)
            time = np.arange(len(note)) / RATE_HZ
            hz = frequency_hz(entry.chord.bass + up)
            round_tone = np.sin(2 * np.pi * hz * time) * np.exp(-time / 1.2)
            fade = np.minimum(1.0, (time[-1] - time) / 0.05) * np.minimum(1.0, time / 0.006)
            when = seconds_at(entry.bar, entry.beat + beat) - start + rng.normal(0.004, 0.004)
            # An uneven hand: some notes jump out, which is what the compressor is for.
            gain = decibels(float(rng.normal(0.0, 1.8)))
            add_at(track, 0.8 * note + 1.1 * round_tone * fade, when, gain)
    return filtered(track, "low", 2600.0, 1)


def _key_note(midi: int, beats: float, velocity: float) -> Audio:
    """Return an electric-piano note: a struck tine that sounds brighter the harder it is hit."""
    seconds = 0.652 * beats + 0.25
    time = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    phase = (2.0 * np.pi * (frequency_hz(midi) * time % 1.0)).astype(np.float32)
    time = time.astype(np.float32)
    body = np.sin(phase + (0.5 + 1.6 * velocity) * np.exp(-time / 0.35) * np.sin(phase))
    body *= np.exp(-time / 1.5) * np.clip((seconds - time) / 0.2, 0.0, 1.0)
    start = slice(0, round(0.3 * RATE_HZ))  # the tine is gone after that
    body[start] += 0.18 * velocity * np.sin(14.0 * phase[start]) * np.exp(-time[start] / 0.05)
    return body * np.minimum(1.0, time / 0.002)


KEY_RHYTHM = {
    "intro": ((0.0, 3.9),),
    "verse 1": ((0.0, 2.9), (3.0, 0.9)),
    "chorus 1": ((0.0, 1.4), (1.5, 1.4), (3.0, 0.9)),
    "verse 2": ((0.0, 1.4), (1.5, 2.4)),
    "bridge": ((0.0, 1.9), (2.0, 1.9)),
    "outro": ((0.0, 3.9),),
}
KEY_RHYTHM["chorus 2"] = KEY_RHYTHM["chorus 1"]


def keys(seconds: float) -> Audio:
    """Return the electric keys in stereo, their tremolo swaying from side to side."""
    rng = generator("keys")
    track = seconds_of_silence(seconds)
    for entry in harmony():
        section = section_of(entry.bar)
        velocity = {"chorus 1": 0.65, "chorus 2": 0.8}.get(section, 0.5)
        for beat, beats in KEY_RHYTHM[section]:
            if beat >= entry.beats:
                continue
            length = min(beats, entry.beats - beat)
            for note in entry.chord.close:
                when = seconds_at(entry.bar, entry.beat + beat) + rng.normal(0.0, 0.006)
                force = velocity * decibels(float(rng.normal(0.0, 1.5)))
                add_at(track, _key_note(note, length, force), when, force)
    track = build_up(track, 300.0, 3.5, 1.0)
    sway = 0.28 * np.sin(2.0 * np.pi * 4.6 / RATE_HZ * np.arange(len(track), dtype=np.float32))
    return np.stack([track * (1.0 + sway), track * (1.0 - sway)], axis=1).astype(np.float32)


def _saw_table(harmonics: int, tilt: float) -> NDArray[np.float32]:
    phase = 2.0 * np.pi * np.arange(8192) / 8192
    wave = sum(np.sin(k * phase + k * k) / k**tilt for k in range(1, harmonics + 1))
    return np.asarray(wave, dtype=np.float32)


def _swell(length: int, attack_s: float, release_s: float) -> NDArray[np.float32]:
    time = np.arange(length, dtype=np.float32) / RATE_HZ
    left = length / RATE_HZ - time
    return np.minimum(np.minimum(time / attack_s, left / release_s), 1.0).astype(np.float32)


def pad(seconds: float) -> Audio:
    """Return the pad: soft detuned voices, left and right tuned apart, slow in and slow out."""
    table = _saw_table(18, 1.7)
    rng = generator("pad")
    sides = [seconds_of_silence(seconds), seconds_of_silence(seconds)]
    for entry in harmony():
        section = section_of(entry.bar)
        if section == "verse 1":
            continue
        level = {"intro": 0.6, "verse 2": 0.55, "bridge": 0.9, "outro": 0.8}.get(section, 1.0)
        length = round((0.652 * entry.beats + 0.9) * RATE_HZ)
        ramp = np.arange(length, dtype=np.float64)
        shape = _swell(length, 0.45, 0.85)
        for note in entry.chord.close:
            for side, cents in ((0, -6.0), (0, 3.0), (1, 6.0), (1, -2.0)):
                step = frequency_hz(note + cents / 100.0) / RATE_HZ * 8192
                index = (ramp * step + 8192 * rng.random()).astype(np.int64) & 8191
                when = seconds_at(entry.bar, entry.beat) - 0.1
                add_at(sides[side], table[index] * shape, when, level)
    return filtered(np.stack(sides, axis=1), "low", 2200.0, 1)


def _drawbar_table() -> NDArray[np.float32]:
    """Return one cycle of the organ, its lowest pipe an octave below the note that is heard."""
    phase = 2.0 * np.pi * np.arange(8192) / 8192
    drawbars = ((1, 0.5), (2, 1.0), (3, 0.4), (4, 0.6), (6, 0.25), (8, 0.2))
    wave = sum(amount * np.sin(order * phase + order**2) for order, amount in drawbars)
    return np.asarray(wave, dtype=np.float32)


def organ(seconds: float) -> Audio:
    """Return the organ, in from the bridge on, its rotor turning faster in the chorus."""
    track = seconds_of_silence(seconds)
    table = _drawbar_table()
    for entry in harmony():
        if not 15 <= entry.bar < 29:
            continue
        level = {"bridge": 0.4, "outro": 0.45}.get(section_of(entry.bar), 1.0)
        length = round((0.652 * entry.beats + 0.05) * RATE_HZ)
        shape = _swell(length, 0.03, 0.06)
        for note in entry.chord.close[1:]:
            step = frequency_hz(note) / RATE_HZ * len(table)
            index = (np.arange(length) * step + 999.0 * note).astype(np.int64) % len(table)
            add_at(track, table[index] * shape, seconds_at(entry.bar, entry.beat), level)
    speed = np.where(np.arange(len(track)) < seconds_at(19) * RATE_HZ, 1.1, 5.9)
    rotor = np.cumsum(speed / RATE_HZ) * 2.0 * np.pi
    left = track * (1.0 + 0.3 * np.sin(rotor))
    right = track * (1.0 + 0.3 * np.sin(rotor + 1.9))
    return np.stack([left, right], axis=1).astype(np.float32)
