"""Songs of two or three seconds and three tracks, made from a seed: quick to render, all in use."""

from __future__ import annotations

import random
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

RATES_HZ = (48000, 44100)
SONG = """\
format: 1
song:
  title: {title}
  artist: Ninefold Quay
  sample_rate_hz: 48000
  tempo: [{{bar: 1, bpm: 120, beats_per_bar: 2}}]
  sections: [{{name: verse, bar: 1}}, {{name: chorus, bar: 2}}]
tracks:
  kick:
    file: stems/kick.wav
    role: kick
    gain_db: {kick_db}
    eq:
      - {{type: bell, freq_hz: 240, gain_db: -3, q: 1.2, why: cardboard knock}}
    compressor: {{threshold_db: -24, ratio: 3, attack_ms: 10, release_ms: 90, why: even hits}}
  bass:
    file: stems/bass.wav
    gain_db: -12
    pan: L20
    why: leaves room for the kick
  lead:
    file: stems/lead.wav
    role: lead_vocal
    gain_db: {lead_db}
    eq:
      - {{type: high_pass, freq_hz: 95, slope_db_per_oct: 12, why: rumble below the voice}}
    sends_db: {{hall: -16}}
    automation:
      gain_db: [{{section: chorus, value: 1.5, over_beats: 1}}]
returns:
  hall: {{type: reverb, decay_s: 0.3}}
mix_bus:
  compressor: {{threshold_db: -20, ratio: 2, attack_ms: 15, release_ms: 150, why: glue}}
references: [{{file: references/dock.wav}}]
variants:
  main: {{formats: [{main}]}}
  instrumental: {{without: [lead], formats: [{other}]}}
  stems: {{split_by: track, sum: exact, formats: [wav24]}}
"""
UNTIDY = "tracks:\n  kick:\n", "tracks:\n\n\n\n  kick :\n"


def new_song(dice: random.Random) -> dict[str, Any]:
    """Return what is special about a song, as plain data."""
    return {
        "seed": dice.randrange(1000),
        "title": dice.choice(("Gull Lamp", "Zwölf Möwen", "a: b", "-x", "50% #1", "Q")),
        "seconds": round(dice.uniform(1.2, 2.2), 2),
        "lead_rate_hz": dice.choice(RATES_HZ),
        "kick_db": dice.choice((-14.0, -15.5, -18.0)),
        "lead_db": dice.choice((-12.0, -13.5)),
        "main": dice.choice(("wav24", "wav16", "flac16", "wav24, mp3")),
        "other": dice.choice(("flac16", "wav16", "aiff24", "ogg")),
    }


def sheet_text(song: dict[str, Any], tidy: bool = True) -> str:
    """Return the song's sheet; not a tidy one if asked for."""
    import json

    text = SONG.format(**{**song, "title": json.dumps(song["title"], ensure_ascii=False)})
    return text if tidy else text.replace(*UNTIDY)


def write_song(home: Path, song: dict[str, Any]) -> None:
    """Write sheet, recordings, a reference and the version before into a folder that is there."""
    for name in ("stems", "references"):
        (home / name).mkdir()
    frames = round(song["seconds"] * 48000)
    time_s = np.arange(frames) / 48000
    dice = np.random.default_rng(song["seed"])
    kick = np.sin(2 * np.pi * 55 * time_s) * np.exp(-12 * (time_s % 0.5))
    bass = 0.4 * np.sign(np.sin(2 * np.pi * 82.4 * time_s)) + 0.02 * dice.standard_normal(frames)
    soundfile.write(home / "stems" / "kick.wav", 0.8 * kick, 48000, "PCM_24")
    soundfile.write(home / "stems" / "bass.wav", 0.5 * bass, 48000, "PCM_16")
    rate_hz = song["lead_rate_hz"]
    soundfile.write(home / "stems" / "lead.wav", voice(song["seconds"], rate_hz), rate_hz, "FLOAT")
    noise = 0.1 * dice.standard_normal((frames, 2))
    soundfile.write(home / "references" / "dock.wav", noise, 48000, "PCM_16")
    (home / "mix.yaml").write_text(sheet_text(song), "utf-8")
    before = {**song, "lead_db": song["lead_db"] - 1.0}
    (home / "before.yaml").write_text(sheet_text(before), "utf-8")


def voice(seconds: float, rate_hz: int) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Return a voice of sorts: harmonics with a slow swell, shape (frames,)."""
    time_s = np.arange(round(seconds * rate_hz)) / rate_hz
    tones = [np.sin(2 * np.pi * 220 * k * time_s) / k for k in range(1, 12)]
    sound = 0.2 * np.sum(tones, axis=0) * (1.1 + np.sin(2 * np.pi * 1.5 * time_s))
    return np.asarray(sound, dtype=np.float64)
