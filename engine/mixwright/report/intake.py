"""The tracks of an intake as a table, and what was found with the lines that would mend it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from mixwright.escaping import plain_data
from mixwright.measuring import Inspected
from mixwright.report.tables import plain_table, print_plainly, say
from mixwright.words import clock, figure, level

if TYPE_CHECKING:
    from mixwright.measuring.intake import StemReadings

HEADINGS = {
    "fault": "wrong as it is",
    "look": "worth a look",
    "note": "good to know",
}
EXPLAINED = "peak and noise floor in dBFS; head: silence below -60 dBFS before it begins"
SUBTYPES = {"FLOAT": "32f", "DOUBLE": "64f", "VORBIS": "Vorbis", "OPUS": "Opus"}


def print_inspected(inspected: Inspected) -> None:
    """Print the table of files and the findings, the worst first."""
    from rich.console import Console

    console = Console()
    table = plain_table("track", "bits", "kHz", "ch", "length", "peak", "LUFS", "floor", "head s")
    for stem in inspected.stems:
        table.add_row(stem.name, *_cells(stem))
    print_plainly(console, table)
    console.print(EXPLAINED, highlight=False, markup=False)
    for severity, heading in HEADINGS.items():
        found = [f for f in inspected.findings if f.severity == severity]
        if not found:
            continue
        console.print(f"{heading}:", highlight=False)
        for finding in found:
            say(console, f"  {finding.track}: {finding.message}")
            for line in (finding.fix or "").splitlines():
                say(console, f"      {line}")
    if not inspected.findings:
        console.print("nothing found that needs doing", highlight=False)


def _cells(stem: StemReadings) -> list[str]:
    info, sound, silence = stem.info, stem.sound, stem.silence
    bits = SUBTYPES.get(info.subtype, info.subtype.removeprefix("PCM_").lower())
    return [
        bits,
        f"{info.rate_hz / 1000:g}",
        str(info.channels),
        clock(info.seconds),
        level(sound.sample_peak_dbfs, decimals=1),
        figure(sound.integrated_lufs, decimals=1),
        figure(silence.noise_floor_dbfs, decimals=0),
        f"{silence.head_s:.2f}",
    ]


def inspected_as_data(inspected: Inspected) -> dict[str, Any]:
    """Return an intake as plain JSON data."""
    data = {
        "source": inspected.path,
        "tracks": [
            {
                "name": stem.name,
                "file": stem.info.path,
                "container": stem.info.container,
                "encoding": stem.info.subtype,
                "sample_rate_hz": stem.info.rate_hz,
                "channels": stem.info.channels,
                "seconds": stem.info.seconds,
                "sound": stem.sound,
                "silence": stem.silence,
                "broadcast_wav": stem.bext,
            }
            for stem in inspected.stems
        ],
        "findings": inspected.findings,
    }
    return plain_data(data)  # type: ignore[no-any-return]
