"""Invented test songs for the rules of a check: clean ones, and ones with a single planted fault.

`make_base_song` writes one small clean song, `random_song` makes another for every seed, and each
entry of `FAULTS` plants one fault in a clean song. Stems are ``{name: (frames, channels)}`` at
48 kHz, sheets plain data as in ``docs/sheet.md``. Faders, thresholds, rides and sends are worked
out from the stems: a mix is clean by what is measured, not by luck. The aims are common practice.
"""

from __future__ import annotations

import copy
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import scipy.fft
import scipy.ndimage
import soundfile
import yaml
from numpy.typing import NDArray

from mixwright.dsp.compressor import CompressorSettings
from mixwright.dsp.pan import balance_gains, pan_gains
from mixwright.dsp.reduction import GainReduction
from mixwright.meters import SoundMeter
from rule_song_sounds import (
    INSTRUMENTS,
    MINOR,
    RATE_HZ,
    RING_S,
    Part,
    Random,
    Score,
    band,
    gain,
    play,
    random_score,
    with_phrases,
)

Audio = NDArray[np.float64]
Stems = dict[str, NDArray[Any]]
Sheet = dict[str, Any]

PEAK_DBTP = -6.3  # of faders and pan alone
BUS_MEAN_DB, BUS_MAX_DB = 1.6, 2.65
# Release and mean square of the bus: slower ones where single hits would go too far.
BUS_TIMES_MS = ((300, 80), (600, 150), (1200, 400), (2000, 500))
TRACK_MEAN_DB, TRACK_MAX_DB, BUSY_SHARE = 3.0, 8.5, 0.88
WET_LU = -15.5  # all returns together against what is dry
# How far the voice stands over all else from 500 Hz to 4 kHz: by its fader, and in any phrase.
VOICE_DB, VOICE_RANGE_DB = 3.0, (1.5, 4.5)


@dataclass(frozen=True)
class Seat:
    """Where an instrument sits: level under the lead voice, places, filters, sends."""

    role: str
    group: str
    under_voice_lu: float
    pans: tuple[str, ...] = ("C",)
    high_pass_hz: int | None = None
    bells: tuple[tuple[int, float, float, str], ...] = ()  # Hz, dB, Q, why
    sends_db: Mapping[str, float] = field(default_factory=dict)
    compressor: Mapping[str, Any] | None = None


_SNAP = {
    "ratio": 3,
    "attack_ms": 12,
    "release_ms": 120,
    "why": "backbeat steady, stick let through",
}
_HOLD = {"ratio": 4, "attack_ms": 15, "release_ms": 60, "why": "some notes jump out"}
_NEAR = {"ratio": 2.5, "attack_ms": 8, "release_ms": 120, "why": "keeps every word near"}
_BOX = (300, -1.5, 1.2, "box of the room")
_CRISP = (8500, 1.5, 0.8, "heard over the cymbals")
_SPEAK = (900, 1.5, 0.8, "heard between the guitars")
SEATS: dict[str, Seat] = {
    "kick": Seat("kick", "drums", 8.0, bells=((280, -2.0, 1.1, "cardboard"),)),
    "snare": Seat(
        "snare", "drums", 7.0, ("C",), 100, ((500, -2.0, 1.4, "ring"),), {"room": -3}, _SNAP
    ),
    "snare_bottom": Seat("snare", "drums", 13.0, ("C",), 200),
    "overheads": Seat("drum_overheads", "drums", 13.0, ("C",), 250, (), {"room": -6}),
    "hat": Seat("cymbals", "drums", 18.0, ("L35", "R35"), 400, (_CRISP,)),
    "shaker": Seat("percussion", "percussion", 19.0, ("L60", "R60"), 1000, (_CRISP,)),
    "bass": Seat("bass", "low_end", 6.0, bells=((240, -1.5, 1.0, "body"),), compressor=_HOLD),
    "guitar_left": Seat(
        "electric_guitar", "guitars", 8.0, ("L100",), 90,
        ((2500, -2.0, 1.0, "the words live here"),), {"room": -2},
    ),
    "guitar_right": Seat(
        "electric_guitar", "guitars", 8.5, ("R100",), 110,
        ((2300, -2.0, 1.0, "the words live here"),), {"room": -2, "hall": -4},
    ),
    "acoustic": Seat("acoustic_guitar", "guitars", 11.0, ("L45", "R45"), 120, (_BOX, _SPEAK)),
    "keys": Seat(
        "keys", "keyboards", 11.0, ("C", "R15", "L15"), 110,
        ((420, -1.5, 1.0, "warmth of the guitars"), _SPEAK), {"hall": -3},
    ),
    "organ": Seat("organ", "keyboards", 12.0, ("L20", "R20"), 130, (_SPEAK,), {"room": -4}),
    "pad": Seat("pad", "keyboards", 12.5, ("C",), 150, (_BOX, _SPEAK), {"hall": -2}),
    "synth": Seat("synth", "keyboards", 14.0, ("L50", "R50"), 200, (_SPEAK,), {"hall": -3}),
    "lead_vocal": Seat(
        "lead_vocal", "vocals", 0.0, ("C",), 110,
        ((320, -2.0, 1.2, "box of the booth"), (2600, 1.5, 0.9, "words")),
        {"hall": -5, "slap": -6, "echo": -12}, _NEAR,
    ),
    "backing_vocal": Seat("backing_vocal", "vocals", 11.0, ("L45",), 150, (_BOX,), {"hall": 0}),
    "backing_high": Seat("backing_vocal", "vocals", 11.0, ("R45",), 150, (_BOX,), {"hall": 0}),
}  # fmt: skip
CORE = ("kick", "bass", "guitar_left", "guitar_right", "keys", "lead_vocal")
BASE = ("kick", "snare", "overheads", *CORE[1:], "backing_vocal")
BASE_SCORE = Score(
    112.0, 4, 9, MINOR, (0, 5, 2, 6), (Part("verse", 1, 3, -5.0), Part("chorus", 4, 4, 0.0))
)


# ---- songs ----


def make_base_song(folder: Path) -> Path:
    """Write the clean base song into a folder and return the path of its sheet."""
    return write_song(folder, base_sheet())


def base_sheet() -> Sheet:
    """Return the sheet of the base song, a copy to be changed at will.

    Tracks: kick, snare, overheads, bass, guitar_left, guitar_right, keys, lead_vocal and
    backing_vocal. Sections: verse and chorus. Returns: room, hall, slap and echo.
    """
    return copy.deepcopy(_base()[1])


def base_stems() -> Stems:
    """Return the stems of the base song: the arrays are not to be changed."""
    return dict(_base()[0])


@lru_cache(maxsize=1)
def _base() -> tuple[Stems, Sheet]:
    rng = np.random.default_rng(2)
    score = with_phrases(BASE_SCORE, rng)
    stems = {name: play(name, score, rng) for name in BASE}
    return stems, sheet_for(score, stems, "Kites over Salt", rng, spread_lu=0.0)


@lru_cache(maxsize=2)
def _random(seed: int) -> tuple[Stems, Sheet]:
    rng = np.random.default_rng([17, seed])
    score = with_phrases(random_score(rng), rng)
    others = [n for n in INSTRUMENTS if n not in CORE and not n.startswith("backing")]
    more = ["snare", *others] if rng.random() < 0.8 else others
    chosen = {*CORE, *more[:1], *rng.permutation(more)[: rng.integers(0, 7)]}
    if rng.random() < 0.4:
        chosen |= {"backing_vocal", "backing_high"}
    names = [name for name in INSTRUMENTS if name in chosen]
    quiet = [part.name for part in score.parts if part is not score.loudest]
    resting = {(n, str(rng.choice(quiet))) for n in names if n not in CORE and rng.random() < 0.5}
    score = replace(score, rests=frozenset(resting))
    stems: Stems = {name: play(name, score, rng) for name in names}
    if "snare" in stems and rng.random() < 0.4:
        stems["snare_bottom"] = from_below(stems["snare"], rng)
    sheet = sheet_for(score, stems, f"Song {seed}", rng, spread_lu=1.0)
    return stems, sheet


def forget_songs() -> None:
    """Drop the random songs that are kept, so that they are made anew."""
    _random.cache_clear()


def from_below(stem: NDArray[Any], rng: Random) -> NDArray[Any]:
    """Return what a second microphone hears of a drum from below: upside down, with more rattle."""
    noise = rng.standard_normal(stem.shape, dtype=np.float32)
    return np.asarray(noise * (np.float32(gain(-80.0)) + 0.2 * np.abs(stem)) - 0.8 * stem)


def random_song(seed: int) -> tuple[Stems, Sheet]:
    """Return the stems and the sheet of a clean song: another for each seed, the same for one.

    Tempo 70 to 150 in three or four, 6 to 14 tracks, 2 to 4 sections of which one is clearly
    loudest. Every song has kick, bass, guitar_left, guitar_right, keys and lead_vocal. The arrays
    are not to be changed.
    """
    stems, sheet = _random(seed)
    return dict(stems), copy.deepcopy(sheet)


# ---- sheets ----


def with_changes(sheet: Sheet, changes: Mapping[str, Any]) -> Sheet:
    """Return a copy with changes merged in, key by key; None takes a key out, lists replace.

    >>> with_changes({"a": {"b": 1, "c": 2}}, {"a": {"b": None, "d": [3]}})
    {'a': {'c': 2, 'd': [3]}}
    """
    merged = copy.deepcopy(sheet)
    for key, value in changes.items():
        if value is None:
            merged.pop(key, None)
        elif isinstance(value, Mapping):
            below = merged.get(key)
            merged[key] = with_changes(below if isinstance(below, dict) else {}, value)
        else:
            merged[key] = copy.deepcopy(value)
    return merged


def write_song(folder: Path, sheet: Sheet, stems: Stems | None = None) -> Path:
    """Write the stems (24 bits, those of the base song by default) and ``mix.yaml``; its path."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, track in (base_stems() if stems is None else stems).items():
        soundfile.write(folder / f"{name}.wav", track, RATE_HZ, subtype="PCM_24")
    path = folder / "mix.yaml"
    plain = json.loads(json.dumps(sheet))  # no aliases: a sheet takes none
    path.write_text(yaml.safe_dump(plain, sort_keys=False, allow_unicode=True), "utf-8")
    return path


def sheet_for(score: Score, stems: Stems, title: str, rng: Random, spread_lu: float) -> Sheet:
    """Return a sheet that mixes stems cleanly; levels by role stray by `spread_lu` at most."""
    lufs = {name: loudness_lufs(stem) for name, stem in stems.items()}
    sheet: Sheet = {
        "format": 1,
        "song": {
            "title": title,
            "artist": "Gravel Pier",
            "sample_rate_hz": RATE_HZ,
            "tempo": [{"bar": 1, "bpm": score.bpm, "beats_per_bar": score.beats_per_bar}],
            "sections": [{"name": part.name, "bar": part.bar} for part in score.parts],
            "loudest_section": score.loudest.name,
            "end": {"s": round(score.last_hit_s + RING_S, 3)},
        },
        "tracks": {name: _track(name, stems[name], lufs[name], rng, spread_lu) for name in stems},
        "groups": {SEATS[name].group: {"gain_db": 0} for name in stems},
        "returns": _returns(rng),
        "mix_bus": {
            "eq": [
                _band("low_shelf", 110, 1.0, 0.7, "a little lean below the guitars"),
                _band("high_shelf", 9000, float(rng.choice([-1.0, 1.0])), 0.7, "air as it should"),
            ],
            "compressor": {
                "threshold_db": -20, "ratio": float(rng.choice([1.5, 1.8, 2.0])),
                "attack_ms": int(rng.choice([15, 20, 30])), "release_ms": 300, "knee_db": 6,
                "detector": "rms", "rms_ms": 80, "detector_high_pass_hz": 80,
                "why": "glue in the loudest section",
            },
        },
        "variants": {"main": {"formats": ["wav24"], "why": "the record"}},
    }  # fmt: skip
    over_db = voice_over_rest_db(score, stems, sheet)
    lead = sheet["tracks"]["lead_vocal"]
    lead["gain_db"] = round(lead["gain_db"] + VOICE_DB - float(np.median(over_db)), 1)
    mix = settled_peak(balance(stems, sheet), sheet)
    settle_bus(mix, sheet)
    ride_voice(score, stems, sheet)
    settle_sends(lufs, loudness_lufs(mix), sheet)
    return sheet


def _band(kind: str, freq_hz: int, gain_db: float, q: float, why: str) -> Sheet:
    return {"type": kind, "freq_hz": freq_hz, "gain_db": gain_db, "q": q, "why": why}


def _track(name: str, stem: NDArray[Any], lufs: float, rng: Random, spread_lu: float) -> Sheet:
    seat = SEATS[name]
    eq: list[Sheet] = []
    if seat.high_pass_hz is not None:
        why = "low end belongs to kick and bass"
        eq.append({"type": "high_pass", "freq_hz": seat.high_pass_hz, "why": why})
    eq += [_band("bell", *bell) for bell in seat.bells]
    track: Sheet = {"file": f"{name}.wav", "role": seat.role, "group": seat.group}
    track |= {"gain_db": 0.0, "pan": str(rng.choice(seat.pans)), "eq": eq}
    target = -20.0 - seat.under_voice_lu + rng.uniform(-spread_lu, spread_lu)
    track["gain_db"] = round(target - lufs, 1)
    if seat.compressor is not None:
        settings = {"threshold_db": -20.0, "knee_db": 6, **seat.compressor}
        mean_db = TRACK_MEAN_DB + rng.uniform(-0.5, 0.5)
        track["compressor"] = with_threshold(stem, settings, mean_db, TRACK_MAX_DB, BUSY_SHARE)
    if name == "snare_bottom":
        track["polarity"] = "invert"
    if seat.sends_db:
        track["sends_db"] = dict(seat.sends_db)
    return track


def _returns(rng: Random) -> Sheet:
    room_s, hall_s = round(rng.uniform(0.4, 0.6), 2), round(rng.uniform(1.5, 1.8), 2)
    return {
        "room": {"type": "reverb", "decay_s": room_s, "pre_delay_ms": 6, "high_pass_hz": 220,
                 "low_pass_hz": 9000, "why": "one place for what was recorded alone"},
        "hall": {"type": "reverb", "decay_s": hall_s, "pre_delay_ms": 25, "high_pass_hz": 220,
                 "low_pass_hz": 9000, "why": "depth behind voice and keys"},
        "slap": {"type": "delay", "time_ms": 95, "spread_ms": 12, "high_pass_hz": 200,
                 "low_pass_hz": 5000, "why": "width for the voice"},
        "echo": {"type": "delay", "note": "1/8", "feedback_db": -12, "high_pass_hz": 300,
                 "low_pass_hz": 4500, "why": "repeats behind the lines"},
    }  # fmt: skip


# ---- levels ----


def placed(stem: NDArray[Any], track: Sheet) -> Audio:
    """Return a track (frames, 2) through its polarity, trim, fader and pan, as `balance` does."""
    pan = str(track.get("pan", "C"))
    place = 0.0 if pan == "C" else float(pan[1:]) * (-1.0 if pan[0] == "L" else 1.0)
    law = pan_gains if stem.shape[1] == 1 else balance_gains
    sides = np.array([float(side) for side in law(np.array(place))])
    sides *= gain(track.get("gain_db", 0.0) + track.get("trim_db", 0.0))
    return np.asarray(stem * (-sides if track.get("polarity") == "invert" else sides))


def balance(stems: Stems, sheet: Sheet) -> Audio:
    """Return the mix of faders and pan alone (frames, 2)."""
    mix = np.zeros((max(len(stem) for stem in stems.values()), 2))
    for name, track in sheet["tracks"].items():
        mix[: len(stems[name])] += placed(stems[name], track)
    return mix


def _meter(sound: Audio) -> SoundMeter:
    meter = SoundMeter(RATE_HZ, sound.shape[1])
    meter.feed(np.ascontiguousarray(sound, dtype=np.float64))
    return meter


def loudness_lufs(sound: Audio) -> float:
    """Return the integrated loudness of a sound."""
    found = _meter(sound).readings().integrated_lufs
    return -120.0 if found is None else found


def section_s(sheet: Sheet, name: str) -> tuple[float, float]:
    """Return when a section begins and ends, in seconds."""
    song = sheet["song"]
    tempo, names = song["tempo"][0], [section["name"] for section in song["sections"]]
    bar_s = tempo["beats_per_bar"] * 60.0 / tempo["bpm"]
    starts = [(section["bar"] - 1) * bar_s for section in song["sections"]]
    index = names.index(name)
    return starts[index], [*starts, song["end"]["s"]][index + 1]


def settled_peak(mix: Audio, sheet: Sheet) -> Audio:
    """Move all faders so that the balance `mix` peaks at `PEAK_DBTP`; return it moved."""
    shift_db = round(PEAK_DBTP - _meter(mix).readings().true_peak_dbtp, 1)
    for track in sheet["tracks"].values():
        track["gain_db"] = round(track["gain_db"] + shift_db, 1)
    return np.asarray(mix * gain(shift_db))


def compressed(sound: Audio, settings: Mapping[str, Any]) -> tuple[Audio, GainReduction]:
    """Return a sound through a compressor without make-up, and how far it was turned down."""
    known = {key: value for key, value in settings.items() if key not in ("why", "makeup_db")}
    running = CompressorSettings(**known).start(RATE_HZ, sound.shape[1])
    return running.process(np.array(sound, float)), running.reduction


def with_threshold(
    sound: NDArray[Any],
    settings: Mapping[str, Any],
    mean_db: float,
    max_db: float,
    most_share: float = 1.0,
) -> Sheet:
    """Return compressor settings with the threshold at which it turns down by `mean_db`.

    It is higher where a peak would be turned down by more than `max_db`, or where the compressor
    would be at work for more than `most_share` of the time.
    """
    found = dict(settings)
    low, high = -60.0, 0.0
    for _ in range(8):
        found["threshold_db"] = 0.5 * (low + high)
        reduction = compressed(sound, found)[1]
        over = reduction.mean_db > mean_db or reduction.max_db > max_db
        if over or reduction.active_share > most_share:
            low = found["threshold_db"]
        else:
            high = found["threshold_db"]
    return found | {"threshold_db": round(high, 1)}


def settle_bus(
    mix: Audio, sheet: Sheet, mean_db: float = BUS_MEAN_DB, max_db: float = BUS_MAX_DB
) -> None:
    """Set the threshold of the mix bus by the loudest section of the balance `mix`.

    Where single hits would go too far, it is slower.
    """
    first, last = section_s(sheet, sheet["song"]["loudest_section"])
    loudest = mix[round(first * RATE_HZ) : round(last * RATE_HZ)]
    bus = sheet["mix_bus"]
    for release_ms, rms_ms in BUS_TIMES_MS:
        settings = bus["compressor"] | {"release_ms": release_ms, "rms_ms": rms_ms}
        bus["compressor"] = with_threshold(loudest, settings, mean_db, max_db)
        if compressed(loudest, bus["compressor"])[1].mean_db > 0.9 * mean_db:
            return


def presence_power(stem: NDArray[Any], start_s: float, end_s: float) -> float:
    """Return the power from 500 Hz to 4 kHz of a stretch, of both channels."""
    piece = np.asarray(stem[round(start_s * RATE_HZ) : round(end_s * RATE_HZ)], np.float32)
    size = scipy.fft.next_fast_len(len(piece), real=True)
    spectrum = scipy.fft.rfft(piece, size, axis=0)
    first, last = (round(hz * size / RATE_HZ) for hz in (500.0, 4000.0))
    return float(np.sum(np.abs(spectrum[first:last]) ** 2)) / len(piece) ** 2


def voice_over_rest_db(score: Score, stems: Stems, sheet: Sheet) -> list[float]:
    """Return how far the lead voice stands over everything else in each phrase, 500 Hz to 4 kHz.

    Faders count, and the compressor of the voice as if it left the loudness alone.
    """
    lead, dry = sheet["tracks"]["lead_vocal"], stems["lead_vocal"]
    voice = compressed(dry, lead["compressor"])[0]
    voice *= gain(lead["gain_db"] + loudness_lufs(dry) - loudness_lufs(voice))
    found = []
    for start_s, end_s in score.phrases:
        rest = sum(
            presence_power(stems[name], start_s, end_s) * gain(track["gain_db"]) ** 2
            for name, track in sheet["tracks"].items()
            if name != "lead_vocal"
        )
        found.append(float(10.0 * np.log10(presence_power(voice, start_s, end_s) / rest)))
    return found


def ride_voice(score: Score, stems: Stems, sheet: Sheet) -> None:
    """Ride the lead voice to where every phrase is heard: a point in each breath before one."""
    over_beats = 0.25 if score.bpm < 100.0 else 0.5
    over_s = over_beats * 60.0 / score.bpm
    points = []
    over_rest_db = voice_over_rest_db(score, stems, sheet)
    for (start_s, _), over_db in zip(score.phrases, over_rest_db, strict=True):
        ride_db = round(float(np.clip(over_db, *VOICE_RANGE_DB) - over_db), 1)
        at_s = round(max(0.0, start_s - over_s - 0.05), 3)
        points.append({"s": at_s, "value": ride_db, "over_beats": over_beats})
    sheet["tracks"]["lead_vocal"]["automation"] = {"gain_db": points}


def settle_sends(lufs: Mapping[str, float], mix_lufs: float, sheet: Sheet) -> None:
    """Move all sends so that the returns together lie `WET_LU` under the balance.

    `lufs` is the loudness of the stems. A return is about as loud as what is sent to it: rooms are
    made so, and delays repeat.
    """
    sends = [
        (track["sends_db"], name, lufs[of] + track["gain_db"] + level_db)
        for of, track in sheet["tracks"].items()
        for name, level_db in track.get("sends_db", {}).items()
    ]
    power = sum(gain(level) ** 2 for _, _, level in sends)
    shift_db = WET_LU + mix_lufs - 10.0 * float(np.log10(power))
    for into, name, _ in sends:
        into[name] = round(into[name] + shift_db, 1)


# ---- faults ----

Planting = Callable[[Stems, Sheet, Random], tuple[Stems, Sheet]]


@dataclass(frozen=True)
class Fault:
    """One fault: the rule that it breaks, what it plants, and which other rules may fire with it.

    Called with a clean song and a random generator it returns a song with the fault.
    """

    rule: str
    plants: str
    plant: Planting
    also: frozenset[str] = frozenset()

    def __call__(self, stems: Stems, sheet: Sheet, rng: Random) -> tuple[Stems, Sheet]:
        """Return a song with the fault; the one given is left as it is."""
        return self.plant(dict(stems), copy.deepcopy(sheet), rng)


FAULTS: dict[str, Fault] = {}


def _planted(rule: str, *also: str) -> Callable[[Planting], Planting]:
    def listed(plant: Planting) -> Planting:
        said = (plant.__doc__ or "").strip()
        FAULTS[plant.__name__] = Fault(rule, said, plant, frozenset(also))
        return plant

    return listed


def _plain(name: str, rule: str, plants: str, changes: Sheet, *also: str) -> None:
    def plant(stems: Stems, sheet: Sheet, _: Random) -> tuple[Stems, Sheet]:
        return stems, with_changes(sheet, changes)

    FAULTS[name] = Fault(rule, plants, plant, frozenset(also))


def _equalised(sheet: Sheet, rng: Random) -> Sheet:
    return dict(sheet["tracks"][rng.choice([n for n, t in sheet["tracks"].items() if t["eq"]])])


def _power(stem: NDArray[Any], track: Sheet) -> float:
    return gain(loudness_lufs(placed(stem, track))) ** 2


def _make_share(stems: Stems, sheet: Sheet, name: str, share: float) -> None:
    """Set a fader so that a track has this share of the K-weighted energy; peak as before."""
    tracks = sheet["tracks"]
    rest = sum(_power(stems[n], t) for n, t in tracks.items() if n != name)
    now = _power(stems[name], tracks[name])
    shift_db = 10.0 * np.log10(share / (1.0 - share) * rest / now)
    tracks[name]["gain_db"] = round(tracks[name]["gain_db"] + float(shift_db), 1)
    settle_bus(settled_peak(balance(stems, sheet), sheet), sheet)


def _low_power(stem: NDArray[Any], track: Sheet) -> float:
    """Power below 89 Hz at the fader: the third octaves up to 80 Hz."""
    size = scipy.fft.next_fast_len(len(stem), real=True)
    spectrum = scipy.fft.rfft(placed(stem, track).astype(np.float32), size, axis=0)
    return float(np.sum(np.abs(spectrum[: round(89.0 * size / RATE_HZ)]) ** 2))


def _add_lows(stems: Stems, sheet: Sheet, name: str, under_db: float, rng: Random) -> None:
    """Add a hollow tone from 60 to 85 Hz, so far under kick and bass in the low end."""
    tracks = sheet["tracks"]
    stem = stems[name]
    tone = band(rng.standard_normal(len(stem)).astype(np.float32), 62.0, 82.0)[:, None]
    envelope = np.abs(stem).max(axis=1, keepdims=True)
    envelope = scipy.ndimage.maximum_filter1d(envelope[::480], 25, axis=0).repeat(480, axis=0)
    lows = tone * scipy.ndimage.uniform_filter1d(envelope, 4800, axis=0)[: len(stem)]
    owned = sum(_low_power(stems[n], tracks[n]) for n in ("kick", "bass"))
    now = _low_power(lows.repeat(stem.shape[1], axis=1), tracks[name])
    stems[name] = stem + lows * np.float32(np.sqrt(owned / now) * gain(-under_db))


@_planted("balance/headroom-short")
def balance_too_hot(stems: Stems, sheet: Sheet, rng: Random) -> tuple[Stems, Sheet]:
    """6 dB more on every fader; the bus takes them back, so that only the balance is too hot."""
    for track in sheet["tracks"].values():
        track["gain_db"] = round(track["gain_db"] + 6.0, 1)
    bus = sheet["mix_bus"]
    bus["compressor"]["threshold_db"] = min(0.0, round(bus["compressor"]["threshold_db"] + 6.0, 1))
    bus["gain_db"] = -6.0
    return stems, sheet


@_planted("balance/loudest-section-misnamed", "eq/masked", "bus/reduction-out-of-range")
def wrong_loudest_claim(stems: Stems, sheet: Sheet, rng: Random) -> tuple[Stems, Sheet]:
    """A quieter section is named as the loudest; the bus is set for that one."""
    names = [section["name"] for section in sheet["song"]["sections"]]
    names.remove(sheet["song"]["loudest_section"])
    sheet["song"]["loudest_section"] = str(rng.choice(names))
    settle_bus(balance(stems, sheet), sheet)
    return stems, sheet


@_planted("balance/too-narrow", "balance/nothing-at-the-sides", "eq/masked")
def everything_centre(stems: Stems, sheet: Sheet, rng: Random) -> tuple[Stems, Sheet]:
    """Every track in the middle, stereo ones made mono."""
    for name, track in sheet["tracks"].items():
        track["pan"] = "C"
        if stems[name].shape[1] == 2:
            track["width_percent"] = 0
    return stems, sheet


@_planted("balance/nothing-at-the-sides")
def nobody_at_the_sides(stems: Stems, sheet: Sheet, rng: Random) -> tuple[Stems, Sheet]:
    """Both guitars only half way to the sides, and stereo tracks at 70 % of their width."""
    for name, track in sheet["tracks"].items():
        if track["pan"] in ("L100", "R100"):
            track["pan"] = track["pan"][0] + "60"
        if stems[name].shape[1] == 2:
            track["width_percent"] = 70
    return stems, sheet


@_planted("balance/lost-in-mono", "intake/faulty-track", "eq/masked")
def mono_loss(stems: Stems, sheet: Sheet, rng: Random) -> tuple[Stems, Sheet]:
    """Loud, dark keys whose right channel is the left one upside down."""
    dark = band(np.asarray(stems["keys"][:, 0], np.float32), 150.0, 380.0)[:, None] * 0.05
    stems["keys"] = np.hstack([dark, -dark])
    sheet["tracks"]["keys"]["pan"] = "C"
    _make_share(stems, sheet, "keys", 0.45)
    return stems, sheet


@_planted("balance/dominant-track", "balance/lost-in-mono", "eq/masked", "automation/phrase-buried")
def dominant_track(stems: Stems, sheet: Sheet, rng: Random) -> tuple[Stems, Sheet]:
    """The left guitar, some 15 dB up, carries four fifths of the energy."""
    _make_share(stems, sheet, "guitar_left", 0.8)
    return stems, sheet


@_planted("balance/low-end-not-owned")
def low_end_in_guitar(stems: Stems, sheet: Sheet, rng: Random) -> tuple[Stems, Sheet]:
    """A guitar with as much from 60 to 90 Hz as kick and bass; its high-pass comes too late."""
    _add_lows(stems, sheet, "guitar_left", 0.0, rng)
    settle_bus(settled_peak(balance(stems, sheet), sheet), sheet)
    return stems, sheet


@_planted("eq/low-end-crowded")
def no_high_pass_with_low_energy(stems: Stems, sheet: Sheet, rng: Random) -> tuple[Stems, Sheet]:
    """A guitar or keys 8 dB under kick and bass in the low end, and no high-pass."""
    name = str(rng.choice(["guitar_left", "guitar_right", "keys"]))
    _add_lows(stems, sheet, name, 8.0, rng)
    track = sheet["tracks"][name]
    track["eq"] = [one for one in track["eq"] if one["type"] != "high_pass"]
    settle_bus(settled_peak(balance(stems, sheet), sheet), sheet)
    return stems, sheet


@_planted("bus/attack-too-fast")
def bus_attack_2ms(stems: Stems, sheet: Sheet, rng: Random) -> tuple[Stems, Sheet]:
    """The compressor of the mix bus has an attack of 2 ms, its reduction as before."""
    sheet["mix_bus"]["compressor"]["attack_ms"] = 2
    settle_bus(balance(stems, sheet), sheet)
    return stems, sheet


@_planted("bus/ratio-too-high")
def bus_ratio_4(stems: Stems, sheet: Sheet, rng: Random) -> tuple[Stems, Sheet]:
    """The compressor of the mix bus has a ratio of 4, its reduction as before."""
    sheet["mix_bus"]["compressor"]["ratio"] = 4
    settle_bus(balance(stems, sheet), sheet)
    return stems, sheet


@_planted("bus/reduction-out-of-range")
def bus_threshold_too_low(stems: Stems, sheet: Sheet, rng: Random) -> tuple[Stems, Sheet]:
    """The compressor of the mix bus reduces by 6 dB in the loudest section."""
    settle_bus(balance(stems, sheet), sheet, 6.0, 60.0)
    return stems, sheet


@_planted("bus/eq-too-strong", "bus/reduction-out-of-range")
def bus_eq_4db(stems: Stems, sheet: Sheet, rng: Random) -> tuple[Stems, Sheet]:
    """A bell of 4 dB on the mix bus, up or down."""
    gain_db = float(rng.choice([-4.0, 4.0]))
    sheet["mix_bus"]["eq"].append(_band("bell", 400, gain_db, 0.8, "body of everything"))
    settle_bus(balance(stems, sheet), sheet)
    return stems, sheet


@_planted("eq/reason-missing")
def band_without_why(stems: Stems, sheet: Sheet, rng: Random) -> tuple[Stems, Sheet]:
    """One band of one track without a reason."""
    bands = _equalised(sheet, rng)["eq"]
    del bands[rng.integers(len(bands))]["why"]
    return stems, sheet


@_planted("eq/masked")
def masked_keys(stems: Stems, sheet: Sheet, rng: Random) -> tuple[Stems, Sheet]:
    """Keys in the range of the guitars, 15 dB under them, and nothing makes room."""
    tracks = sheet["tracks"]
    guitars = 10.0 * np.log10(sum(_power(stems[n], tracks[n]) for n in ("guitar_left",)))
    keys = tracks["keys"]
    now = loudness_lufs(placed(stems["keys"], keys))
    keys["gain_db"] = round(keys["gain_db"] + float(guitars) - 15.0 - now, 1)
    for track in tracks.values():
        track["eq"] = [one for one in track["eq"] if one["type"] != "bell"]
    return stems, sheet


@_planted("dynamics/too-much", "dynamics/always-works", "dynamics/spread-grown")
def compressor_over_10db(stems: Stems, sheet: Sheet, rng: Random) -> tuple[Stems, Sheet]:
    """The compressor of the bass turns down by 13 dB on average."""
    track = sheet["tracks"]["bass"]
    settings = track["compressor"] | {"ratio": 6}
    track["compressor"] = with_threshold(stems["bass"], settings, 13.0, 60.0)
    return stems, sheet


@_planted("dynamics/makeup-off", "dynamics/spread-grown")
def makeup_off(stems: Stems, sheet: Sheet, rng: Random) -> tuple[Stems, Sheet]:
    """A make-up on the bass that is 4 dB more than its compressor takes."""
    settings = sheet["tracks"]["bass"]["compressor"]
    after = loudness_lufs(compressed(stems["bass"], settings)[0])
    settings["makeup_db"] = round(loudness_lufs(stems["bass"]) - after + 4.0, 1)
    return stems, sheet


@_planted("effects/too-wet", "effects/track-too-wet", "effects/voice-masked-by-its-effect",
          "bus/reduction-out-of-range", "automation/phrase-buried")  # fmt: skip
def too_wet(stems: Stems, sheet: Sheet, rng: Random) -> tuple[Stems, Sheet]:
    """14 dB more on every send."""
    for track in sheet["tracks"].values():
        for name, level_db in track.get("sends_db", {}).items():
            track["sends_db"][name] = round(level_db + 14.0, 1)
    return stems, sheet


@_planted("automation/phrase-buried", "bus/reduction-out-of-range")
def voice_buried_in_one_phrase(stems: Stems, sheet: Sheet, rng: Random) -> tuple[Stems, Sheet]:
    """The lead voice ridden down by 10 dB for one phrase."""
    points = sheet["tracks"]["lead_vocal"]["automation"]["gain_db"]
    point = points[rng.integers(len(points))]
    point["value"] = round(point["value"] - 10.0, 1)
    return stems, sheet


@_planted("automation/jump")
def jump(stems: Stems, sheet: Sheet, rng: Random) -> tuple[Stems, Sheet]:
    """The keys step down by 9 dB at once within a held chord, and come back over a beat."""
    first, last = section_s(sheet, sheet["song"]["loudest_section"])
    tempo = sheet["song"]["tempo"][0]
    bar_s = tempo["beats_per_bar"] * 60.0 / tempo["bpm"]
    at_s = first + 0.4 * bar_s + bar_s * rng.integers(max(1, round((last - first) / bar_s) - 1))
    points = [{"s": round(float(at_s), 3), "value": -9.0}]
    points.append({"s": round(float(at_s) + 0.4 * bar_s, 3), "value": 0.0, "over_beats": 1})
    return stems, with_changes(sheet, {"tracks": {"keys": {"automation": {"gain_db": points}}}})


@_planted("automation/track-vanishes", "bus/reduction-out-of-range")
def vanishing_track(stems: Stems, sheet: Sheet, rng: Random) -> tuple[Stems, Sheet]:
    """A guitar or the keys 40 dB down for a whole section that they play in."""
    names = [section["name"] for section in sheet["song"]["sections"]]
    index = int(rng.integers(len(names)))
    points = [{"section": names[index], "value": -40.0, "over_ms": 100}]
    if index + 1 < len(names):
        points.append({"section": names[index + 1], "value": 0.0, "over_beats": 0.5})
    name = str(rng.choice(["guitar_left", "guitar_right", "keys"]))
    return stems, with_changes(sheet, {"tracks": {name: {"automation": {"gain_db": points}}}})


@_planted("intake/faulty-track")
def clipped_stem(stems: Stems, sheet: Sheet, rng: Random) -> tuple[Stems, Sheet]:
    """A guitar recorded too hot: flat at full scale, and its trim takes the level back."""
    name = str(rng.choice(["guitar_left", "guitar_right"]))
    level_db = round(-20.0 * float(np.log10(np.abs(stems[name]).max())) + 8.0, 1)
    stems[name] = np.clip(stems[name] * gain(level_db), -1.0, 1.0 - 2.0**-23)
    sheet["tracks"][name]["trim_db"] = -level_db
    return stems, sheet


@_planted("intake/faulty-track")
def hum_stem(stems: Stems, sheet: Sheet, rng: Random) -> tuple[Stems, Sheet]:
    """Mains hum of 50 or 60 Hz and harmonics, 30 dB under a guitar or the keys."""
    name = str(rng.choice(["guitar_left", "guitar_right", "keys"]))
    stem, mains_hz = stems[name], float(rng.choice([50.0, 60.0]))
    turns = 2.0 * np.pi * mains_hz * np.arange(len(stem)) / RATE_HZ
    hum = sum(np.sin(n * turns + n) / n for n in (1, 2, 3, 5))
    stems[name] = stem + (hum * stem.std() * gain(-30.0))[:, None]
    return stems, sheet


@_planted("intake/faulty-track")
def inverted_pair(stems: Stems, sheet: Sheet, rng: Random) -> tuple[Stems, Sheet]:
    """A second microphone on snare or kick, upside down, and the sheet leaves it so."""
    drum = "snare" if "snare" in stems else "kick"
    name = f"{drum}_bottom" if drum == "snare" else "kick_out"
    stems[name] = from_below(stems[drum], rng)
    track = {"file": f"{name}.wav", "role": drum, "group": "drums", "pan": "C", "eq": []}
    track["gain_db"] = round(sheet["tracks"][drum]["gain_db"] - 8.0, 1)
    sheet["tracks"][name] = track
    return stems, sheet


@_planted("delivery/tail-cut")
def tail_cut(stems: Stems, sheet: Sheet, rng: Random) -> tuple[Stems, Sheet]:
    """The song ends 0.4 s into its last chord."""
    sheet["song"]["end"]["s"] = round(sheet["song"]["end"]["s"] - RING_S + 0.4, 3)
    return stems, sheet


@_planted("delivery/silence-long")
def long_head_silence(stems: Stems, sheet: Sheet, rng: Random) -> tuple[Stems, Sheet]:
    """Whole bars of nothing but noise, 2.5 s or more, before the first sound."""
    tempo = sheet["song"]["tempo"][0]
    bar_s = tempo["beats_per_bar"] * 60.0 / tempo["bpm"]
    bars = int(np.ceil(2.5 / bar_s))
    late_s = bars * bar_s
    for section in sheet["song"]["sections"]:
        section["bar"] += bars
    for point in sheet["tracks"]["lead_vocal"]["automation"]["gain_db"]:
        point["s"] = round(point["s"] + late_s, 3)
    sheet["song"]["end"]["s"] = round(sheet["song"]["end"]["s"] + late_s, 3)
    for name, stem in stems.items():
        noise = rng.standard_normal((round(late_s * RATE_HZ), stem.shape[1])) * gain(-84.0)
        stems[name] = np.concatenate([noise, stem])
    return stems, sheet


_plain("bus_does_nothing", "bus/reduction-out-of-range",
       "A threshold on the mix bus that nothing reaches.",
       {"mix_bus": {"compressor": {"threshold_db": 0}}})  # fmt: skip
_plain("eq_level_change", "eq/level-changed",
       "A broad 6 dB on the keys that nothing takes back and no reason is given for.",
       {"tracks": {"keys": {"level_match": False, "eq": [
           {"type": "high_pass", "freq_hz": 110, "why": "low end belongs to kick and bass"},
           _band("bell", 600, 6.0, 0.5, "forward")]}}})  # fmt: skip
_plain("only_boosts", "eq/boost-without-cut",
       "Kick and bass are only boosted.",
       {"tracks": {"kick": {"eq": [_band("bell", 3000, 3.0, 1.0, "beater")]},
                   "bass": {"eq": [_band("bell", 700, 3.0, 1.0, "growl")]}}})  # fmt: skip
_plain("compressor_never_works", "dynamics/never-works",
       "A threshold on the voice that nothing reaches.",
       {"tracks": {"lead_vocal": {"compressor": {"threshold_db": 0, "knee_db": 0}}}})  # fmt: skip
_plain("compressor_always_works", "dynamics/always-works",
       "A compressor on the bass, low and gentle, that never lets go.",
       {"tracks": {"bass": {"compressor": {"threshold_db": -70, "ratio": 1.15}}}})  # fmt: skip
_plain("compressor_without_why", "dynamics/reason-missing",
       "A compressor on the bass without a reason.",
       {"tracks": {"bass": {"compressor": {"why": None}}}})  # fmt: skip
_plain("wet_keys", "effects/track-too-wet",
       "Keys as loud in the hall as in the room.",
       {"tracks": {"keys": {"sends_db": {"hall": 2}}}},
       "effects/too-wet", "effects/voice-masked-by-its-effect")  # fmt: skip
_plain("keys_in_the_slap", "effects/slap-beyond-the-voice",
       "Keys in the slap of the voice.",
       {"tracks": {"keys": {"sends_db": {"slap": -16}}}})  # fmt: skip
_plain("return_without_low_cut", "effects/low-end-in-return",
       "A hall without a high-pass, and kick and bass in it.",
       {"returns": {"hall": {"high_pass_hz": None}},
        "tracks": {"kick": {"sends_db": {"hall": -12}}, "bass": {"sends_db": {"hall": -12}}}},
       )  # fmt: skip
_plain("long_decay", "effects/decay-long",
       "A hall of 8 s, over two bars at any of the tempi.",
       {"returns": {"hall": {"decay_s": 8}}},
       "effects/too-wet", "delivery/silence-long")  # fmt: skip
_plain("over_full_scale", "delivery/over-full-scale",
       "14 dB of gain on the mix bus.",
       {"mix_bus": {"gain_db": 14}}, "delivery/true-peak-high", "delivery/tail-cut")  # fmt: skip
_plain("ceiling_too_high", "delivery/true-peak-high",
       "A limiter that lets through peaks of -0.2 dBTP.",
       {"mix_bus": {"gain_db": 8, "limiter": {"ceiling_dbtp": -0.2, "why": "a little louder"}}},
       )  # fmt: skip
_plain("loudness_off", "delivery/loudness-off-target",
       "A delivery target that the mix is nowhere near.",
       {"delivery": {"integrated_lufs": -10, "why": "as asked"}})  # fmt: skip
