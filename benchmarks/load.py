"""The load that the benchmarks share: N stems of S seconds and a sheet that works them hard.

Per stem: four filters; on eight: a compressor; four returns; EQ and compressor on the mix bus. A
second sheet of the same has five groups, eight variants, and stems that add up to the mix.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import soundfile

RATE_HZ = 48000
PASS_HZ, CUT_HZ, LIFT_HZ, AIR_HZ = 90, 320, 3000, 9000

SECONDS_A_BAR = 2.5
ROLES = {0: "lead_vocal", 1: "kick", 2: "bass"}


def make_stems(folder: Path, stems: int, seconds: float) -> None:
    """Write stereo 24-bit stems: struck notes of noise that die away, different ones each."""
    (folder / "stems").mkdir(parents=True, exist_ok=True)
    for index in range(stems):
        random = np.random.default_rng(index)
        path = folder / "stems" / f"t{index:02d}.wav"
        with soundfile.SoundFile(path, "w", RATE_HZ, 2, subtype="PCM_24") as file:
            decay = np.exp(-np.arange(RATE_HZ) % (RATE_HZ // (1 + index % 4)) / 6000.0)
            for second in range(int(seconds)):
                level = 0.12 * (0.3 + 0.7 * ((second + index) % 4 > 0)) * decay
                noise = random.standard_normal((RATE_HZ, 2)) * level[:, None]
                file.write(np.clip(noise, -0.9, 0.9))


GROUPS = ("vocals", "backing", "drums", "band", "keys")
VARIANTS = """
groups: {vocals: {}, backing: {}, drums: {}, band: {}, keys: {}}
variants:
  main: {formats: [wav24]}
  instrumental: {without: [vocals, backing]}
  tv: {without: [vocals]}
  a_cappella: {only: [vocals, backing]}
  clean: {clean: [{name: vocals, bar: 2, for_beats: 1}, {name: vocals, s: 4, for_ms: 300}]}
  vocal_up: {offset_db: {vocals: 1}}
  vocal_down: {offset_db: {vocals: -1}}
  broadcast: {loudness: {standard: ebu_r_128}}
  stems: {split_by: group, sum: exact}
"""


def write_release(folder: Path, stems: int, seconds: float) -> Path:
    """Write the sheet of the release beside that of the mix and return its path."""
    lines = write_sheet(folder, stems, seconds).read_text("utf-8").splitlines()
    index = 0
    for at, line in enumerate(lines):
        if line.startswith("    file:"):
            # One lead voice, two backing voices, and the rest in three groups alike.
            group = GROUPS[0] if index == 0 else GROUPS[1] if index < 3 else GROUPS[2 + index % 3]
            lines[at] += f"\n    group: {group}"
            index += 1
    path = folder / "release.yaml"
    path.write_text("\n".join(lines) + VARIANTS, "utf-8")
    return path


def write_sheet(folder: Path, stems: int, seconds: float) -> Path:
    """Write the sheet and return its path; the song has six parts of equal length."""
    bars = [1 + int(part * seconds / SECONDS_A_BAR / 6) for part in range(6)]
    parts = [f"{{name: part {bar}, bar: {bar}}}" for bar in dict.fromkeys(bars)]
    lines = [
        "format: 1",
        "song:",
        "  title: Load",
        "  sample_rate_hz: 48000",
        "  tempo: [{bar: 1, bpm: 96, beats_per_bar: 4}]",
        f"  sections: [{', '.join(parts)}]",
        f"  loudest_section: part {bars[-1]}",
        "tracks:",
    ]
    for index in range(stems):
        side = "L" if index % 2 else "R"
        lines += [
            f"  t{index:02d}:",
            f"    file: stems/t{index:02d}.wav",
            f"    role: {ROLES.get(index, 'other')}",
            f"    gain_db: {-30 - index % 5}",
            f"    pan: {'C' if index % 3 == 0 else side + str(10 + index * 3)}",
            "    eq:",
            f"      - {{type: high_pass, freq_hz: {PASS_HZ}, slope_db_per_oct: 12}}",
            f"      - {{type: bell, freq_hz: {CUT_HZ}, gain_db: -2.0, q: 1.4}}",
            f"      - {{type: bell, freq_hz: {LIFT_HZ}, gain_db: 1.5, q: 1.0}}",
            f"      - {{type: high_shelf, freq_hz: {AIR_HZ}, gain_db: 1.0}}",
        ]
        if index % 3 == 0:
            lines.append(
                "    compressor: {threshold_db: -16, ratio: 3, attack_ms: 8, release_ms: 90}"
            )
        sent = ("room", "hall", "slap", "echo")[index % 4]
        lines.append(f"    sends_db: {{{sent}: -14}}")
    lines += [
        "returns:",
        "  room: {type: reverb, decay_s: 0.5, pre_delay_ms: 8, high_pass_hz: 250}",
        "  hall: {type: reverb, decay_s: 2.0, pre_delay_ms: 28}",
        "  slap: {type: delay, time_ms: 95, spread_ms: 12}",
        "  echo: {type: delay, note: 1/8 dotted, feedback_db: -9, low_pass_hz: 4500}",
        "mix_bus:",
        "  gain_db: -9",
        "  eq: [{type: high_shelf, freq_hz: 8000, gain_db: 1.0}]",
        "  compressor: {threshold_db: -30, ratio: 2, attack_ms: 15, release_ms: 150}",
    ]
    path = folder / "mix.yaml"
    path.write_text("\n".join(lines) + "\n", "utf-8")
    return path
