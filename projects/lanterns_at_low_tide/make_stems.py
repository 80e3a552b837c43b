"""Make the stems and the reference of the example song "Lanterns at Low Tide".

Run it in any folder; the same bits come out on every run:

    python make_stems.py [FOLDER]
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import soundfile
from drum_kit import drum_stems, percussion_stems
from recording_faults import (
    Audio,
    build_up,
    decibels,
    filtered,
    generator,
    room_noise,
    rumble,
)
from reference_programme import SECONDS as REFERENCE_SECONDS
from reference_programme import reference_programme
from scipy.io import wavfile
from scipy.signal import resample_poly
from score import (
    RATE_HZ,
    SONG_SECONDS,
    ad_lib,
    backing,
    chorus,
    doubled_vocal,
    lead_vocal,
    verse_1,
)
from singer import Singer, breath_before, sing
from strings_and_keys import bass, guitar_left, guitar_right, keys, organ, pad

LEAD = Singer("lead")

# File name, peak level as recorded in dBFS, sample format, sample rate: sessions come mixed.
FILES: dict[str, tuple[str, float, str, int]] = {
    "kick_in": ("kick_in.wav", -7.0, "PCM_24", RATE_HZ),
    "kick_out": ("kick_out.wav", -8.0, "PCM_24", RATE_HZ),
    "snare_top": ("snare_top.wav", -6.5, "PCM_24", RATE_HZ),
    "snare_bottom": ("snare_bottom.wav", -9.0, "PCM_24", RATE_HZ),
    "hat": ("hat.wav", -11.0, "PCM_24", RATE_HZ),
    "overheads": ("overheads.wav", -9.0, "PCM_24", RATE_HZ),
    "toms": ("toms.wav", -8.0, "PCM_24", RATE_HZ),
    "shaker": ("shaker.wav", -12.0, "PCM_16", RATE_HZ),
    "tambourine": ("tambourine.wav", -10.0, "PCM_24", 44100),
    "bass": ("bass_from_bar_3.wav", -7.5, "PCM_24", RATE_HZ),
    "guitar_left": ("guitar_left.wav", -9.0, "PCM_24", RATE_HZ),
    "guitar_right": ("guitar_right.wav", -9.0, "PCM_24", RATE_HZ),
    "keys": ("keys.flac", -10.0, "PCM_24", RATE_HZ),
    "pad": ("pad.wav", -12.0, "FLOAT", RATE_HZ),
    "organ": ("organ.wav", -11.0, "PCM_24", RATE_HZ),
    "lead_vocal": ("lead_vocal.wav", -6.0, "PCM_24", RATE_HZ),
    "lead_vocal_take_1": ("lead_vocal_take_1.wav", -8.0, "PCM_24", RATE_HZ),
    "lead_double": ("lead_double.wav", -9.0, "PCM_24", RATE_HZ),
    "ad_lib": ("ad_lib.wav", -9.0, "PCM_24", RATE_HZ),
    "backing_high": ("backing_high.wav", -9.0, "PCM_24", RATE_HZ),
    "backing_low": ("backing_low.wav", -9.0, "PCM_24", RATE_HZ),
}


def _vocal_as_recorded(voice: Audio, name: str, box_db: float, rumble_db: float) -> Audio:
    """Return a dry voice as a close microphone in a small booth hears it: boxy, with rumble."""
    rng = generator(f"booth of {name}")
    voice = voice / np.max(np.abs(voice), initial=1e-9)
    boxy = build_up(filtered(voice, "high", 70.0, 1), 360.0, box_db, 1.3)
    noise = room_noise(len(voice), -67.0, rng) + rumble(len(voice), rumble_db, rng)
    return np.asarray(boxy + noise, dtype=np.float32)


def _vocal_stems(seconds: float) -> dict[str, Audio]:
    """Return every voice: lead, a spare first take, double, ad-lib and two harmonies."""
    parts = {
        "lead_vocal": (lead_vocal(), LEAD, 5.0, -40.0),
        "lead_vocal_take_1": (
            verse_1() + chorus(7, 0.0),
            LEAD._replace(name="take 1", loose_ms=22.0, loose_cents=20.0),
            5.0,
            -38.0,
        ),
        "lead_double": (
            doubled_vocal(),
            LEAD._replace(name="double", loose_ms=16.0, loose_cents=12.0),
            4.0,
            -46.0,
        ),
        "ad_lib": (ad_lib(), LEAD._replace(name="ad-lib", breath=0.16), 4.0, -46.0),
        "backing_high": (
            backing(upper=True),
            Singer("high", 1.09, 22.0, 5.8, 0.16, 14.0, 10.0),
            3.0,
            -48.0,
        ),
        "backing_low": (
            backing(upper=False),
            Singer("low", 0.95, 18.0, 5.0, 0.14, 14.0, 10.0),
            3.0,
            -48.0,
        ),
    }
    stems = {}
    for name, (sung, singer, box_db, rumble_db) in parts.items():
        voice = sing(sung, singer, seconds) + breath_before(sung, singer, seconds)
        stems[name] = _vocal_as_recorded(voice, name, box_db, rumble_db)
    return stems


def _write(folder: Path, name: str, sound: Audio) -> None:
    """Set a stem to its recorded level and write it in its own format."""
    file_name, peak_db, subtype, rate_hz = FILES[name]
    peak = float(np.max(np.abs(sound), initial=0.0))
    if peak > 0.0:
        sound = sound * np.float32(decibels(peak_db) / peak)
    if rate_hz != RATE_HZ:
        sound = np.asarray(resample_poly(sound, 147, 160, axis=0), dtype=np.float32)
    if subtype == "FLOAT":
        # libsndfile stamps the time into a float file, which would differ on every run.
        wavfile.write(folder / file_name, rate_hz, sound.astype(np.float32))
    else:
        soundfile.write(folder / file_name, sound, rate_hz, subtype=subtype)


def write_stems(folder: Path, seconds_limit: float | None = None) -> None:
    """Write ``stems/`` and ``references/`` into a folder, or only so many seconds of them.

    Levels are set by what is written, so that a shortened run may be louder than the whole song.
    """
    seconds = min(SONG_SECONDS, seconds_limit if seconds_limit is not None else SONG_SECONDS)
    stems, references = folder / "stems", folder / "references"
    stems.mkdir(parents=True, exist_ok=True)
    references.mkdir(parents=True, exist_ok=True)
    makers = (drum_stems, percussion_stems, _vocal_stems)
    for make in makers:
        for name, sound in make(seconds).items():
            _write(stems, name, sound)
    for name, player in {
        "bass": bass,
        "guitar_left": guitar_left,
        "guitar_right": guitar_right,
        "keys": keys,
        "pad": pad,
        "organ": organ,
    }.items():
        _write(stems, name, player(seconds))
    programme = reference_programme(min(REFERENCE_SECONDS, seconds))
    soundfile.write(references / "harbour_radio.wav", programme, RATE_HZ, subtype="PCM_24")


if __name__ == "__main__":
    write_stems(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).resolve().parent)
