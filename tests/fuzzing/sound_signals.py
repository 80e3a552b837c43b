"""Good files to begin with, in every format: what sounds in them, and how they are written."""

from __future__ import annotations

import io
import struct
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray

from fuzzing.sound_layout import Layout, taken_apart

# (container, subtype) by the sound library's names, by how they are stored.
PLAIN = tuple(
    (container, subtype)
    for container, subtypes in {
        "WAV": "PCM_U8 PCM_16 PCM_24 PCM_32 FLOAT DOUBLE ALAW ULAW IMA_ADPCM MS_ADPCM GSM610",
        "WAVEX": "PCM_U8 PCM_16 PCM_24 PCM_32 FLOAT DOUBLE ALAW ULAW",
        "RF64": "PCM_U8 PCM_16 PCM_24 PCM_32 FLOAT DOUBLE",
        "BW64": "PCM_16 PCM_24 FLOAT",
        "W64": "PCM_U8 PCM_16 PCM_24 PCM_32 FLOAT DOUBLE ALAW IMA_ADPCM",
        "AIFF": "PCM_S8 PCM_16 PCM_24 PCM_32 FLOAT DOUBLE ALAW ULAW IMA_ADPCM DWVW_16",
        "AU": "PCM_S8 PCM_16 PCM_24 PCM_32 FLOAT DOUBLE ALAW ULAW G721_32 G723_24",
        "CAF": "PCM_S8 PCM_16 PCM_24 PCM_32 FLOAT DOUBLE ALAW ULAW",
    }.items()
    for subtype in subtypes.split()
)
RARE = (
    *(("AVR", "PCM_16"), ("HTK", "PCM_16"), ("IRCAM", "FLOAT"), ("MPC2K", "PCM_16")),
    *(("NIST", "PCM_24"), ("PAF", "PCM_16"), ("PVF", "PCM_16"), ("SDS", "PCM_16")),
    *(("SVX", "PCM_16"), ("VOC", "PCM_16"), ("XI", "DPCM_16"), ("MAT4", "DOUBLE")),
    *(("MAT5", "DOUBLE"), ("WVE", "ALAW"), ("PAF", "PCM_24"), ("WAV", "NMS_ADPCM_16")),
)
COMPRESSED = (
    *(("FLAC", "PCM_S8"), ("FLAC", "PCM_16"), ("FLAC", "PCM_24")),
    *(("OGG", "VORBIS"), ("OGG", "OPUS"), ("MP3", "MPEG_LAYER_III")),
    *(("CAF", "ALAC_16"), ("CAF", "ALAC_24")),
)
SUFFIXES = {"WAVEX": "wav", "BW64": "wav", "RF64": "rf64", "AIFF": "aif"}
LARGEST = 3.4e38
ONE_CHANNEL = ("HTK", "SVX", "XI", "WVE", "SDS")
SIGNALS = (
    *("noise", "noise", "noise", "noise", "silence", "square", "dc", "step", "impulse"),
    *("nan", "inf", "minus_inf", "denormal", "huge", "minus_zero", "loud"),
)


def samples(recipe: Mapping[str, Any]) -> NDArray[np.float64]:
    """Return what sounds: (frames, channels) by the name of a signal and a seed."""
    frames, channels = recipe["frames"], recipe["channels"]
    dice = np.random.default_rng(recipe["seed"])
    noise = dice.standard_normal((frames, channels)) * 0.1
    signal, middle = recipe["signal"], slice(frames // 2, frames // 2 + 3)
    whole = {
        "silence": 0.0 * noise,
        "minus_zero": np.copysign(0.0, np.full_like(noise, -1.0)),
        "square": np.where(np.arange(frames)[:, None] // 50 % 2, 1.0, -1.0) + 0.0 * noise,
        "dc": 0.5 + 0.0 * noise,
        "denormal": noise * 1e-307 * (1e-3 if recipe["seed"] % 2 else 1e269),
        "loud": noise * 1000.0,
    }
    sound = whole.get(signal, noise)
    put = {"nan": np.nan, "inf": np.inf, "minus_inf": -np.inf, "huge": 1e300, "impulse": 1.0}
    if signal == "impulse":
        sound = 0.0 * noise
    if signal in put:
        sound[middle] = put[signal]
    if signal == "huge" and recipe["seed"] % 3:
        sound[middle] = (1e38, 1e20)[recipe["seed"] % 3 - 1]
    if signal == "step":
        sound[: frames // 2] = 0.0
    return sound


def good_file(recipe: Mapping[str, Any]) -> bytes:
    """Return the bytes of a file that is as it should be, but for its samples perhaps."""
    kept, container = io.BytesIO(), recipe["container"]
    written = "RF64" if container == "BW64" else container
    sound = samples(recipe)
    if recipe["subtype"] not in ("FLOAT", "DOUBLE"):  # some encoders die of what is none
        sound = np.clip(np.nan_to_num(sound), -1.0, 1.0)
    with soundfile.SoundFile(
        kept, "w", recipe["rate"], recipe["channels"], recipe["subtype"], format=written
    ) as file:
        file.write(sound if recipe["subtype"] == "DOUBLE" else _narrow(sound))
    data = kept.getvalue()
    return b"BW64" + data[4:] if container == "BW64" else data


def _narrow(sound: NDArray[np.float64]) -> NDArray[np.float32]:
    """In 32 bits, what is too large for these as the largest there is."""
    fits = np.where(np.isfinite(sound), np.clip(sound, -LARGEST, LARGEST), sound)
    return fits.astype(np.float32)


def good_layout(recipe: Mapping[str, Any]) -> Layout:
    """Return the same in pieces, without what the sound library draws from the clock."""
    layout = taken_apart(good_file(recipe))
    for n, piece in enumerate(layout.pieces):
        if piece.name in (b"PEAK", b"peak"):
            layout = layout.at(n, replace(piece, body=piece.body[:4] + bytes(4) + piece.body[8:]))
        if layout.kind == "ogg":
            layout = layout.at(n, replace(piece, name=piece.name[:14] + b"mixw" + piece.name[18:]))
    return layout


def ten_bytes(value: float | str) -> bytes:
    """Return an 80-bit number as AIFF has its rate: from 64 bits, or one of no meaning by name.

    >>> ten_bytes(48000.0).hex()
    '400ebb80000000000000'
    """
    odd = {
        "nan": "7fffc000000000000000",
        "inf": "7fff8000000000000000",
        "minus_inf": "ffff8000000000000000",
        "denormal": "00000000000000000001",
        "unnormal": "400e0000000000000001",
        "huge": "7ffeffffffffffffffff",
    }
    if isinstance(value, str):
        return bytes.fromhex(odd[value])
    if value == 0.0:
        return bytes(10)
    mantissa, exponent = np.frexp(abs(value))
    sign = 0x8000 if value < 0 else 0
    return struct.pack(">HQ", sign | int(exponent) + 16382, int(mantissa * 2.0**64))
