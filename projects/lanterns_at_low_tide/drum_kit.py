"""The drums and percussion: every hit synthesised, played with human timing, spilling into mics."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from recording_faults import (
    Audio,
    add_at,
    band,
    decibels,
    filtered,
    generator,
    room_noise,
    seconds_of_silence,
    spill,
)
from scipy.signal import oaconvolve
from score import CRASHES, RATE_HZ, RIDE_BARS, hits, seconds_at

Wave = NDArray[np.floating]


def _time(seconds: float) -> NDArray[np.float64]:
    return np.arange(round(seconds * RATE_HZ)) / RATE_HZ


def _falling_tone(
    seconds: float, start_hz: float, rest_hz: float, fall_s: float, decay_s: float
) -> Wave:
    """Return a drum skin: a sine that falls to its resting pitch and dies away."""
    time = _time(seconds)
    cycles = rest_hz * time + (start_hz - rest_hz) * fall_s * (1.0 - np.exp(-time / fall_s))
    return np.sin(2.0 * np.pi * cycles) * np.exp(-time / decay_s) * np.minimum(1.0, time / 0.0008)


def _burst(rng: np.random.Generator, seconds: float, decay_s: float) -> Wave:
    """Return a burst of white noise that dies away."""
    time = _time(seconds)
    return rng.standard_normal(len(time)) * np.exp(-time / decay_s)


def _kick_in(rng: np.random.Generator) -> Wave:
    beater = band(_burst(rng, 0.5, 0.006), 1800.0, 5500.0)
    knock = _falling_tone(0.5, 420.0, 170.0, 0.008, 0.018)
    return _falling_tone(0.5, 190.0, 52.0, 0.022, 0.14) + 0.35 * knock + 0.5 * beater


def _kick_out(rng: np.random.Generator) -> Wave:
    boom = _falling_tone(0.6, 120.0, 47.0, 0.03, 0.19)
    return boom + 0.25 * filtered(_burst(rng, 0.6, 0.05), "low", 300.0)


def _snare_top(rng: np.random.Generator) -> Wave:
    skin = _falling_tone(0.35, 260.0, 192.0, 0.012, 0.075)
    upper = _falling_tone(0.35, 480.0, 347.0, 0.01, 0.04)
    stick = band(_burst(rng, 0.35, 0.005), 2500.0, 9000.0)
    wires = band(_burst(rng, 0.35, 0.075), 1200.0, 9000.0, 1)
    return skin + 0.45 * upper + 0.7 * stick + 0.38 * wires


def _snare_bottom(rng: np.random.Generator) -> Wave:
    skin = _falling_tone(0.4, 240.0, 192.0, 0.012, 0.06)
    return 0.5 * skin + 0.8 * band(_burst(rng, 0.4, 0.1), 1800.0, 11000.0, 1)


def _metal(rng: np.random.Generator, seconds: float, low_hz: float, high_hz: float) -> Wave:
    """Return a cloud of sixty unrelated partials, each with its own decay: sheet metal."""
    time = _time(seconds).astype(np.float32)
    partials = np.exp(rng.uniform(np.log(low_hz), np.log(high_hz), 60))
    wave = np.zeros(len(time), dtype=np.float32)
    for hz in partials:
        decay = seconds * rng.uniform(0.12, 0.3) * (low_hz / hz) ** 0.25
        turn = np.float32(2.0 * np.pi * rng.random())
        wave += np.sin(np.float32(2.0 * np.pi * hz) * time + turn) * np.exp(time / -decay)
    return wave / np.sqrt(len(partials))


def _hat(rng: np.random.Generator, decay_s: float) -> Wave:
    seconds = max(0.12, 4.0 * decay_s)
    metal = _metal(rng, seconds, 3200.0, 13000.0) * np.exp(-_time(seconds) / decay_s)
    return filtered(metal + 0.6 * _burst(rng, seconds, decay_s), "high", 5000.0)


def _crash(rng: np.random.Generator) -> Wave:
    wash = filtered(_burst(rng, 2.6, 0.55), "high", 3500.0)
    swell = np.minimum(1.0, _time(2.6) / 0.006)
    return (0.8 * _metal(rng, 2.6, 420.0, 12000.0) + 0.35 * wash) * swell


def _ride(rng: np.random.Generator) -> Wave:
    ping = filtered(_burst(rng, 1.2, 0.004), "high", 4000.0)
    return 0.4 * _metal(rng, 1.2, 2500.0, 11000.0) + 0.8 * ping


def _tom(rng: np.random.Generator, rest_hz: float) -> Wave:
    skin = _falling_tone(0.8, 1.6 * rest_hz, rest_hz, 0.03, 0.22)
    upper = _falling_tone(0.8, 2.0 * rest_hz, 1.6 * rest_hz, 0.02, 0.09)
    return skin + 0.3 * upper + 0.3 * band(_burst(rng, 0.8, 0.006), 1500.0, 5000.0)


def _shake(rng: np.random.Generator) -> Wave:
    time = _time(0.11)
    grains = rng.standard_normal(len(time)) * (rng.random(len(time)) < 0.25)
    return band(grains * (time / 0.028) * np.exp(1.0 - time / 0.028), 4500.0, 12000.0)


def _jingle(rng: np.random.Generator) -> Wave:
    metal = _metal(rng, 0.4, 5200.0, 14000.0) * np.exp(-_time(0.4) / 0.075)
    return metal + 0.3 * filtered(_burst(rng, 0.4, 0.02), "high", 5000.0)


def _played(
    name: str, seconds: float, takes: list[Wave], loose_ms: float, late_ms: float = 0.0
) -> Audio:
    """Play one drum through the song: never twice the same hit, never quite on the grid."""
    rng = generator(f"hands of {name}")
    track = seconds_of_silence(seconds)
    for hit in hits(name):
        when = hit.seconds + (late_ms + loose_ms * rng.standard_normal()) / 1000.0
        force = hit.velocity * decibels(float(rng.normal(0.0, 0.9)))
        add_at(track, takes[int(rng.integers(len(takes)))], when, force**1.3)
    return track


def _cymbals(seconds: float) -> tuple[Audio, Audio]:
    """Return crash and ride as played; the ride joins in the last chorus."""
    rng = generator("cymbals")
    crash, ride = seconds_of_silence(seconds), seconds_of_silence(seconds)
    takes = [_crash(rng), _crash(rng)]
    for index, (bar, force) in enumerate(CRASHES.items()):
        add_at(crash, takes[index % 2], seconds_at(bar) + 0.003, force)
    bell = _ride(rng)
    for bar in RIDE_BARS:
        for eighth in range(8):
            force = (0.8 if eighth % 2 == 0 else 0.5) * decibels(float(rng.normal(0.0, 1.0)))
            add_at(ride, bell, seconds_at(bar, 1 + eighth / 2) + rng.normal(0, 0.004), force)
    return crash, ride


def _dry_kit(seconds: float) -> dict[str, Audio]:
    """Return every drum alone, before any microphone hears its neighbours."""
    rng = generator("kit")
    hats = [_hat(rng, decay) for decay in (0.03, 0.035, 0.04)]
    kit = {
        "kick_in": _played("kick", seconds, [_kick_in(rng) for _ in range(3)], 3.0),
        "kick_out": _played("kick", seconds, [_kick_out(rng) for _ in range(3)], 3.0),
        "snare_top": _played("snare", seconds, [_snare_top(rng) for _ in range(4)], 3.0, 5.0),
        "snare_bottom": _played("snare", seconds, [_snare_bottom(rng) for _ in range(4)], 3.0, 5.0),
        "hat": _played("hat", seconds, hats, 4.0),
        "rack_tom": _played("rack_tom", seconds, [_tom(rng, 148.0) for _ in range(2)], 4.0),
        "floor_tom": _played("floor_tom", seconds, [_tom(rng, 92.0) for _ in range(2)], 4.0),
    }
    kit["crash"], kit["ride"] = _cymbals(seconds)
    return kit


def _room_response(rng: np.random.Generator) -> Audio:
    """Return a small live room, a third of a second, without its direct sound."""
    time = _time(0.33)
    tail = rng.standard_normal(len(time)) * np.exp(-time / 0.075) * (time > 0.006)
    return filtered(tail / np.sqrt(np.sum(tail**2)), "low", 7000.0, 1)


def _overheads(kit: dict[str, Audio]) -> Audio:
    """Return the stereo pair over the kit: cymbals first, the whole kit behind, a little room."""
    rng = generator("overheads")
    places = {  # level in dB, and how far to the left (0) or right (1)
        "crash": (0.0, 0.3),
        "ride": (-8.0, 0.72),
        "hat": (-7.0, 0.25),
        "snare_top": (-9.0, 0.47),
        "kick_in": (-17.0, 0.5),
        "rack_tom": (-10.0, 0.4),
        "floor_tom": (-10.0, 0.75),
    }
    sides = []
    for side in (0, 1):
        heard = np.zeros(len(kit["hat"]), dtype=np.float32)
        for name, (level_db, place) in places.items():
            share = np.sin(0.5 * np.pi * (place if side else 1.0 - place))
            heard += np.float32(decibels(level_db) * share) * kit[name]
        reflected = oaconvolve(heard, _room_response(rng))[: len(heard)]
        sides.append(heard + 0.35 * reflected + room_noise(len(heard), -66.0, rng))
    return np.asarray(np.stack(sides, axis=1), dtype=np.float32)


def _toms(kit: dict[str, Audio]) -> Audio:
    """Return both tom mics on one stereo stem, open all the time and full of spill."""
    snare = spill(kit["snare_top"], -24.0, 1.8, 3500.0)
    kick = spill(kit["kick_out"], -26.0, 1.5, 900.0)
    left = kit["rack_tom"] + 0.12 * kit["floor_tom"] + snare + kick
    right = kit["floor_tom"] + 0.1 * kit["rack_tom"] + 0.7 * snare + kick
    return np.stack([left, right], axis=1)


def drum_stems(seconds: float) -> dict[str, Audio]:
    """Return every drum stem as recorded, with spill, at a level still to be set."""
    kit = _dry_kit(seconds)
    hat_spill = spill(kit["hat"], -20.0, 1.2, 9000.0)
    snare_spill = spill(kit["snare_top"], -17.0, 1.4, 6000.0)
    stems = {
        "kick_in": kit["kick_in"] + 0.4 * snare_spill,
        "kick_out": kit["kick_out"] + 0.7 * snare_spill,
        "snare_top": kit["snare_top"] + hat_spill + spill(kit["kick_in"], -22.0, 1.6, 600.0),
        # A mic under the drum sees the skin move the other way: its polarity is reversed.
        "snare_bottom": -(kit["snare_bottom"] + spill(kit["kick_out"], -14.0, 1.3, 500.0)),
        "hat": kit["hat"] + 1.5 * snare_spill,
        "overheads": _overheads(kit),
        "toms": _toms(kit),
    }
    return stems


def percussion_stems(seconds: float) -> dict[str, Audio]:
    """Return shaker and tambourine, each overdubbed alone in a quiet room."""
    rng = generator("percussion")
    shaker = _played("shaker", seconds, [_shake(rng) for _ in range(6)], 5.0, -3.0)
    tambourine = _played("tambourine", seconds, [_jingle(rng) for _ in range(4)], 5.0, 4.0)
    return {
        "shaker": shaker + room_noise(len(shaker), -70.0, rng),
        "tambourine": tambourine + room_noise(len(tambourine), -74.0, rng),
    }
