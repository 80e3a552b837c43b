"""A review of an invented song, with sounds made on the spot: for the tests of the review page."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from mixwright.by_ear.takes import matched_gains_db
from mixwright.comparing.change import Change
from mixwright.reviewing.data import (
    Automation,
    FindingLine,
    MoveLine,
    Phrase,
    ReviewData,
    RuleLine,
    SectionLine,
    Send,
    SongTimeline,
    SoundChange,
    Source,
    Spectra,
    SpectrumCurve,
    StageLine,
    State,
    TrackRow,
)

RATE_HZ = 48000
SECONDS = 24.0
CLICK_EVERY_S = 0.1
# Gains of the sources' sounds: what matching has to undo.
AMPLITUDES = {
    "balance": 0.5,
    "bus": 0.55,
    "eq": 0.6,
    "dynamics": 0.65,
    "effects": 0.7,
    "automation": 0.75,
    "previous": 0.62,
    "loud": 1.4,  # over full scale, in a float file
    "reference": 0.9,
}
LABELS = {
    "previous": ("the version before", "previous"),
    "loud": ("loud variant", "variant"),
    "reference": ("night_ferry.wav", "reference"),
}
SECTIONS = (
    SectionLine("intro", 0.0, 4.0),
    SectionLine("verse 1", 4.0, 10.0),
    SectionLine("chorus 1", 10.0, 16.0),
    SectionLine("bridge", 16.0, 20.0),
    SectionLine("outro", 20.0, SECONDS),
)


def clicks(seconds: float, amplitude: float, mark: int = 0) -> NDArray[np.float64]:
    """One sample of `amplitude` every tenth of a second, alike on both sides.

    A second one of half the size comes `mark` samples later and tells whose they are.
    """
    sound = np.zeros((round(seconds * RATE_HZ), 2))
    every = round(CLICK_EVERY_S * RATE_HZ)
    sound[mark::every] = amplitude / 2
    sound[::every] = amplitude
    return sound


def mark_of(name: str) -> int:
    """How many samples after each click the second one comes in this source."""
    return 400 * (1 + list(AMPLITUDES).index(name))


def write_sources(folder: Path) -> dict[str, Path]:
    """Write a sound for each source; the reference is only 5 seconds long."""
    paths = {}
    for name, amplitude in AMPLITUDES.items():
        seconds = 5.0 if name == "reference" else SECONDS
        sound = clicks(seconds, amplitude, mark_of(name))
        paths[name] = folder / f"{name}.wav"
        soundfile.write(paths[name], sound, RATE_HZ, "FLOAT")
    return paths


def sources() -> tuple[Source, ...]:
    """The sources, their loudness as their amplitudes have it."""
    lufs = [-26.0 + 20 * math.log10(a / 0.5) for a in AMPLITUDES.values()]
    gains_db = matched_gains_db(lufs)
    found = []
    for (name, _), loudness, gain_db in zip(AMPLITUDES.items(), lufs, gains_db, strict=True):
        label, kind = LABELS.get(name, (f"through {name}", "step"))
        seconds = 5.0 if kind == "reference" else SECONDS
        found.append(Source(name, label, kind, loudness, gain_db, seconds))  # type: ignore[arg-type]
    return tuple(found)


def timeline(seconds: float = SECONDS, hop_s: float = 0.1) -> SongTimeline:
    """Curves that rise and fall with the sections; the first three seconds have no loudness."""
    count = round(seconds / hop_s)
    at_s = np.arange(count) * hop_s
    swell = np.interp(
        at_s / seconds, [0, 0.17, 0.42, 0.66, 0.83, 1], [-34, -27, -21, -20, -25, -40]
    )
    wobble = 1.2 * np.sin(2 * np.pi * at_s / 1.9) + 0.6 * np.sin(2 * np.pi * at_s / 0.7)
    loudness = [
        None if t < 3 else float(v) for t, v in zip(at_s, swell + 0.5 * wobble, strict=True)
    ]
    voice = [
        float(4 + 2 * w - 0.15 * (s + 27)) if seconds * 0.17 < t < seconds * 0.83 else None
        for t, w, s in zip(at_s, wobble, swell, strict=True)
    ]
    fader = tuple(
        (float(t), float(v)) for t, v in ((0, 0), (9.5, 0), (10, 1.5), (16, 1.5), (17, 0))
    )
    return SongTimeline(
        hop_s,
        tuple(loudness),
        tuple(float(v) for v in swell + 15.5 + wobble),
        tuple(
            float(max(0.0, (s + 30) * 0.28 + 0.4 * w)) for s, w in zip(swell, wobble, strict=True)
        ),
        tuple(voice),
        (
            Phrase(4.4, 6.5, 0.71),
            Phrase(7.0, 9.2, 0.64),
            Phrase(10.3, 12.9, 0.31),
            Phrase(13, 15.5, 0.52),
        ),
        (
            Automation("lead_vocal", "fader", "dB", fader),
            Automation(
                "lead_vocal", "hall send", "dB", ((0.0, -math.inf), (9.9, -18.0), (16.0, -12.0))
            ),
            Automation("shaker", "pan", "", ((0.0, -45.0), (24.0, 45.0))),
            Automation("toms", "mute", "", ((0.0, 1.0), (10.0, 0.0), (16.0, 1.0))),
        ),
    )


def spectra() -> Spectra:
    """Third octaves of a mix and of two references."""
    bands = tuple(round(1000 * 10 ** (n / 10), 1) for n in range(-16, 14))
    octave = np.log2(np.array(bands) / 1000)
    mix = -32 - 1.5 * octave - 0.7 * (octave - 1) ** 2
    ferry = mix + 2.2 * np.sin(octave) - 0.6
    dock = mix + 1.8 * np.cos(1.7 * octave)
    named = {"this mix": mix, "night_ferry.wav": ferry, "dock_lights.wav": dock}
    return Spectra(
        bands, tuple(SpectrumCurve(n, tuple(float(v) for v in db)) for n, db in named.items())
    )


TRACKS = (
    TrackRow(
        "kick", "kick", "drums", -27.4, -11.2, 0.0, None,
        (
            MoveLine("gain -3.5 dB"),
            MoveLine("bell 240 Hz -3.0 dB, Q 1.2", "cardboard knock where the guitars have body"),
            MoveLine("compressor 3:1 from -18 dB", "even hits; the click passes before it closes"),
        ),
        (Send("room", -26.0),),
    ),
    TrackRow(
        "overheads", "drum_overheads", "drums", -30.8, -14.9, 0.0, 110.0,
        (MoveLine("high-pass 130 Hz, 12 dB/oct", "kick comes from its own mics"),),
        (Send("room", -24.0),),
    ),
    TrackRow("shaker", "percussion", "percussion", -41.2, -25.3, -45.0),
    TrackRow("toms", "toms", "drums", None, None, 0.0, 75.0, muted=True),
    TrackRow(
        "lead_vocal", "lead_vocal", None, -23.9, -9.6, 0.0, None,
        (
            MoveLine("high-pass 95 Hz, 18 dB/oct", "rumble below the voice"),
            MoveLine("compressor 3:1 from -22 dB", "even out the verses"),
            MoveLine("ride +1.5 dB in chorus 1", "guitars come in"),
        ),
        (Send("hall", -16.0), Send("plate", -math.inf)),
    ),
)  # fmt: skip

BURIED = FindingLine(
    "of a phrase of 2.6 s 30.5 % is heard, expected 35 % or more; it lacks 1.7 dB",
    "ride the voice up there, or take down what plays with it, its own effects too",
    10.3, 12.9, "chorus 1", "lead_vocal", "mix.yaml:279:7", standing="fails",
)  # fmt: skip
BRIGHT = FindingLine(
    "4 kHz +4.3 dB against night_ferry.wav, expected 4 dB at most",
    at_s=16.4, section="bridge", name="mix_bus", place="mix.yaml:301:5",
    accepted_why="the shaker is meant to be the brightest thing in this song",
)  # fmt: skip
CONVERTED = FindingLine("shaker was converted from 44100 Hz", name="shaker", standing="note")
LOUD = FindingLine("true peak -0.9 dBTP, expected -1 at most", "lower the limiter's ceiling")


def stage(rule: str, state: State, words: str, *found: FindingLine) -> StageLine:
    """A step with one rule; its headline is what the rule says."""
    return StageLine(rule.partition("/")[0], state, (RuleLine(rule, state, words, found),), words)


STAGES = (
    stage("intake/faulty-track", "holds", "5 tracks, no faults", CONVERTED),
    stage("balance/headroom-short", "holds", "true peak -5.9 dBTP"),
    stage("bus/tone-off-reference", "accepted", "4 kHz +4.3 dB", BRIGHT),
    stage("eq/masked", "holds", "most covered is shaker, 22 %"),
    stage("dynamics/too-much", "holds", "most reduction 6.1 dB"),
    stage("effects/decay-long", "idle", "no reverb"),
    stage("automation/phrase-buried", "fails", "4 phrases, least 31 % heard", BURIED),
    stage("delivery/true-peak", "look", "true peak -0.9 dBTP", LOUD),
)
CHANGES = (
    Change(
        "balance", "lead_vocal", "gain -5.0 to -4.5 dB", "changed", why="asked for in the notes"
    ),
    Change("eq", "kick", "bell 240 Hz -3.0 dB, Q 1.2", "added", why="cardboard knock"),
    Change("eq", "overheads", "bell 3600 Hz -1.5 dB", "removed"),
    Change("automation", "lead_vocal", "ride +1.5 dB in chorus 1", "added", why="guitars come in"),
)
SOUND_CHANGES = (
    SoundChange("integrated loudness", -23.2, -22.9, "LUFS"),
    SoundChange("true peak", -7.1, -6.8, "dBTP"),
    SoundChange("loudness range", None, 6.2, "LU"),
)


def review() -> ReviewData:
    """The whole sample."""
    return ReviewData(
        "Saltmarsh Radio", "Ninefold Quay", "0.1.0", RATE_HZ, SECONDS, SECTIONS, sources(),
        timeline(), spectra(), TRACKS, STAGES, CHANGES, "v3", SOUND_CHANGES,
    )  # fmt: skip


def large_review() -> ReviewData:
    """A song of ten minutes with a hundred tracks."""
    tracks = tuple(replace(TRACKS[i % 5], name=f"track {i}") for i in range(100))
    stretch = 600.0 / SECONDS
    sections = tuple(SectionLine(s.name, s.start_s * stretch, s.end_s * stretch) for s in SECTIONS)
    along = timeline(600.0, 0.05)
    wave = tuple((i * 0.1, math.sin(i * 0.01)) for i in range(6000))
    moving = tuple(Automation(f"track {i}", "fader", "dB", wave) for i in range(20))
    return replace(
        review(), seconds=600.0, sections=sections, tracks=tracks,
        timeline=replace(along, automation=moving),
    )  # fmt: skip
