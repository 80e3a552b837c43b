"""From a finished mix to its files: labelled, written to be committed, listed with its figures."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

from mixwright.audio import MixFormat, played, probe
from mixwright.audio.bext import Bext
from mixwright.audio.encode import Encoding, encode
from mixwright.audio.fingerprint import sha256_of
from mixwright.audio.tags import Tags
from mixwright.delivering.manifest import FileMeters, OutputEntry
from mixwright.delivering.orders import Order
from mixwright.delivering.ready import Ready
from mixwright.delivering.variants import Version
from mixwright.meters import SoundMeter, SoundReadings
from mixwright.problem import Problem, ProblemError
from mixwright.rendering.run import FULL_SCALE_MARGIN
from mixwright.rendering.target import seed_of
from mixwright.sheet import Sheet
from mixwright.sheet.deliverables import MAIN
from mixwright.units import or_silence


def write_file(
    sheet: Sheet, order: Order, version: Version, ready: Ready, form: MixFormat, staged: Path
) -> OutputEntry:
    """Write one file at its place below `staged`, and return its entry.

    Raises ProblemError for what is over full scale in a format that can't hold it, and when the
    disk refuses.
    """
    rate_hz, variant = ready.source.rate_hz, order.variant
    file = order.files[version.stem, rate_hz, form.name]
    refuse_over(order, version, ready, form)
    path = staged / file
    path.parent.mkdir(parents=True, exist_ok=True)
    shaped = variant.dither == "shaped" and form.bits == 16
    labels = tags_of(sheet, order, version), bext_of(sheet, order, version, ready)
    encoding, sound = Encoding(form, seed_of(sheet, version.stem), shaped, *labels), ready.source
    encode(sound.blocks(), sound.frames, rate_hz, path, encoding, Path(file))
    return OutputEntry(
        file=file,
        variant=variant.name,
        stem=version.stem,
        plan=order.digest,
        sha256=sha256_of(path),
        bytes=path.stat().st_size,
        format=form.name,
        sample_rate_hz=rate_hz,
        frames=ready.source.frames,
        seconds=round(ready.source.frames / rate_hz, 6),
        meters=meters_of(decoded_readings(path) if form.lossy else ready.readings),
        gain_db=round(ready.levelling.gain_db, 4),
        limited_db=round(ready.levelling.reduction_db, 4),
        sum_group=variant.name if version.in_exact_set else None,
        dither=None if form.bits is None else ("shaped" if shaped else "tpdf"),
        sheet_sha256=sheet.sha256,
    )


def meters_of(found: SoundReadings) -> FileMeters:
    """Return what the manifest says of a mix, rounded to thousandths; silence is None."""

    def rounded(value: float | None) -> float | None:
        return None if value is None else round(value, 3)

    return FileMeters(
        rounded(found.integrated_lufs),
        rounded(found.loudness_range_lu),
        rounded(found.true_peak_dbtp),
        rounded(found.sample_peak_dbfs),
    )


def decoded_readings(path: Path) -> SoundReadings:
    """Return the figures of a file as it is decoded: what a lossy one holds is not what went in."""
    info = probe(path, ours=True)
    meter = SoundMeter(info.rate_hz, info.channels)
    for _, block in played(info):
        meter.feed(block)
    return meter.readings()


def refuse_over(order: Order, version: Version, ready: Ready, form: MixFormat) -> None:
    """Refuse what is over full scale in a format that would clip it."""
    peak_dbfs = or_silence(ready.readings.sample_peak_dbfs)
    if form.name == "wav32f" or peak_dbfs <= FULL_SCALE_MARGIN:
        return
    remedy = f"take {peak_dbfs + 0.005:.2f} dB or more off mix_bus.gain_db"
    if order.finish.aim is not None:
        remedy = "lower true_peak_dbtp"
    raise ProblemError(
        [
            Problem(
                "deliver/would-clip",
                f"{version.spoken} was not written: it peaks at {peak_dbfs:+.2f} dBFS, "
                f"which {form.name} can't hold",
                help=f"{remedy}, or deliver it as wav32f",
            )
        ]
    )


def tags_of(sheet: Sheet, order: Order, version: Version) -> Tags:
    """Return what players show of a file: a variant's name stands after the title."""
    words = [] if order.variant.name == MAIN else [version.stem or order.variant.name]
    title = sheet.song.title + "".join(f" ({word.replace('_', ' ')})" for word in words)
    labels = {f.name for f in fields(Tags)} & {f.name for f in fields(order.labels)}
    said = {name: getattr(order.labels, name) for name in labels}
    return Tags(title=title, artist=sheet.song.artist, **said)


def bext_of(sheet: Sheet, order: Order, version: Version, ready: Ready) -> Bext:
    """Return the broadcast extension; its date is the release's, so that a delivery repeats.

    The time reference is that of the first sample that is left.
    """
    labels, found, rate_hz = order.labels, ready.readings, ready.source.rate_hz
    description = labels.description or _ascii(tags_of(sheet, order, version).title or "")
    start_s = labels.time_reference_s or 0.0
    start = round(start_s * rate_hz) + ready.cut.first
    date = labels.date if labels.date is not None and len(labels.date) == 10 else ""
    return Bext(
        description=description[:256],
        originator=labels.originator or "mixwright",
        originator_reference=labels.originator_reference or "",
        date=date,
        time="",
        time_reference_samples=max(0, start),
        version=2,
        loudness_lufs=found.integrated_lufs,
        loudness_range_lu=found.loudness_range_lu,
        max_true_peak_dbtp=found.true_peak_dbtp,
        max_momentary_lufs=found.momentary_max_lufs,
        max_short_term_lufs=found.short_term_max_lufs,
    )


def _ascii(text: str) -> str:
    import unicodedata

    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore")
    return plain.decode("ascii")
