"""Tracks as they arrive: what each file is, how loud, and what is wrong with it or between two.

Every file is decoded once; pairs that may hold one source are read again, in pieces. What a sheet
already mends (polarity, offset, high-pass, notch) is said as a note.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from mixwright.audio import StemInfo, played, read_part
from mixwright.audio.bext import Bext, read_bext
from mixwright.audio.mp3 import MP3_HELP, MP3_WORDS
from mixwright.audio.probe import PCM_BYTES
from mixwright.faults.findings import Finding
from mixwright.faults.follow import Features
from mixwright.faults.pairs import inspect_pairs
from mixwright.faults.time_stamps import TimeStamp, disagreeing
from mixwright.faults.track import FaultMeter
from mixwright.measuring.kept_findings import as_data, from_data
from mixwright.meters import SoundMeter, SoundReadings
from mixwright.meters.silence import SilenceReadings
from mixwright.problem import Fault, Problem, ProblemError
from mixwright.rendering.cache import DataCache
from mixwright.rendering.identity import contents_of, identity
from mixwright.rendering.plan import probe_stems
from mixwright.rendering.probing import probed_all
from mixwright.rendering.session import USUAL, Session
from mixwright.rendering.sums import FRAMES
from mixwright.sheet import Sheet, Track
from mixwright.units import Block

SUFFIXES = (
    *(".wav", ".wave", ".bwf", ".rf64", ".w64", ".aif", ".aiff", ".aifc", ".caf", ".au"),
    *(".flac", ".ogg", ".oga", ".opus", ".mp3"),
)
DETECTORS = 1  # raised whenever a detector comes to find other things
SEVERITIES = ("fault", "look", "note")
# Pairs are compared at no more than the highest rate of a song. All that counts lies below 20 kHz,
# and the time that it takes grows with the square of the rate.
COMPARED_AT_MOST_HZ = 192_000
LOW_END_ROLES = ("kick", "bass")  # what lies below 40 Hz may be theirs


@dataclass(frozen=True)
class Stem:
    """One file of the intake: its name here, where it is, and what the sheet does to it."""

    name: str
    info: StemInfo
    track: Track | None = None

    @property
    def lead_s(self) -> float:
        """How much later than the start of the song it begins."""
        return 0.0 if self.track is None else self.track.offset_ms / 1000.0


@dataclass(frozen=True)
class StemReadings:
    """What one file is and measures."""

    name: str
    info: StemInfo
    sound: SoundReadings
    silence: SilenceReadings
    bext: Bext | None


@dataclass(frozen=True)
class Inspected:
    """All files in order, and what was found: the worst first."""

    path: Path
    stems: tuple[StemReadings, ...]
    findings: tuple[Finding, ...]


def stems_of_folder(folder: Path, session: Session = USUAL) -> tuple[list[Stem], list[Finding]]:
    """Return every sound file in a folder and below it, and what can't be read as one.

    Hidden files are passed over. ProblemError if there is none that can be read.
    """
    stems: list[Stem] = []
    findings: list[Finding] = []
    problems: list[Problem] = []
    paths = [path for path in sorted(folder.rglob("*")) if _is_one(path, folder)]
    for path, found in zip(paths, probed_all(paths, session), strict=True):
        name = str(path.relative_to(folder))
        if not isinstance(found, ProblemError):
            stems.append(Stem(name, found))
            continue
        problems += found.problems
        findings.append(_unreadable(name, path.name, found))
    if not stems:
        message = f"{folder} holds no sound files, expected {', '.join(SUFFIXES)}"
        raise ProblemError(problems or [Problem("inspect/nothing", message)])
    return stems, findings


def _is_one(path: Path, folder: Path) -> bool:
    """Whether a file's name is that of a recording, and no part of it hidden."""
    hidden = any(part.startswith(".") for part in path.relative_to(folder).parts)
    return not hidden and path.suffix.lower() in SUFFIXES and path.is_file()


def inspect_stems(
    path: Path,
    stems: Sequence[Stem],
    rate_hz: int,
    known: Sequence[Finding] = (),
    session: Session = USUAL,
) -> Inspected:
    """Play every file once to all meters, then compare those that may belong together.

    `rate_hz` is the rate at which pairs are compared: the song's, or the commonest. A file that
    turns out unreadable as it is played is a fault like any other; ProblemError if all are.
    """
    heard = [_StemMeters(stem, measured=True) for stem in stems]
    with ThreadPoolExecutor(session.cores) as pool:
        errors = list(pool.map(_StemMeters.error, heard))
    if all(errors):
        raise ProblemError(problem for error in errors if error for problem in error.problems)
    meters = [one for one, error in zip(heard, errors, strict=True) if error is None]
    broken = [
        _unreadable(one.stem.name, one.stem.info.path.name, error)
        for one, error in zip(heard, errors, strict=True)
        if error is not None
    ]
    found = _findings([meter.stem for meter in meters], meters, rate_hz, session)
    readings = tuple(meter.readings() for meter in meters)
    return Inspected(path, readings, _told(stems, [*known, *broken, *_of_files(stems), *found]))


def faults_of_stems(
    path: Path, stems: Sequence[Stem], rate_hz: int, session: Session = USUAL
) -> Inspected:
    """Look for the same faults without reading any meters, or recall them: stems rarely change."""
    heard = [(s.name, s.info, s.lead_s, s.track and s.track.polarity) for s in stems]
    cache = DataCache(session.cache_folder, "findings")
    recordings = (stem.info for stem in stems)
    contents = contents_of(recordings, session)
    depends = identity(contents, "findings", DETECTORS, rate_hz, heard)
    found = from_data(cache.get(depends))
    if found is None:
        found = _findings(stems, _played(stems, session), rate_hz, session)
        cache.put(depends, as_data(found))
    return Inspected(path, (), _told(stems, [*_of_files(stems), *found]))


def _of_files(stems: Sequence[Stem]) -> list[Finding]:
    """What the files are, whatever they hold: what decoders say of them, and what has been lost."""
    found = [
        Finding(kind="decoder", track=stem.name, severity="look", message=warning)
        for stem in stems
        for warning in stem.info.warnings
    ]
    return found + [
        Finding(kind="mp3", track=stem.name, severity="look", message=f"{MP3_WORDS}; {MP3_HELP}")
        for stem in stems
        if stem.info.container == "MP3"
    ]


def _unreadable(name: str, file_name: str, error: ProblemError) -> Finding:
    """A file that can't be read, as a fault in the track; a machine that fails is none."""
    if any(problem.fault is Fault.MACHINE for problem in error.problems):
        raise error
    said = "; ".join(problem.message for problem in error.problems)
    message = said.removeprefix(f"{file_name} ")
    return Finding(kind="unreadable", track=name, severity="fault", message=message)


def _played(stems: Sequence[Stem], session: Session) -> list[_StemMeters]:
    meters = [_StemMeters(stem, measured=False) for stem in stems]
    with ThreadPoolExecutor(session.cores) as pool:
        list(pool.map(_StemMeters.play, meters))
    return meters


def _findings(
    stems: Sequence[Stem], meters: Sequence[_StemMeters], rate_hz: int, session: Session
) -> list[Finding]:
    """Everything that is wrong with the stems as they are, or between two of them."""
    by_name: Mapping[str | int, Stem] = {stem.name: stem for stem in stems}
    compared_hz = min(rate_hz, COMPARED_AT_MOST_HZ)

    # Read from other places than before, a damaged file may turn out to be one only now.
    broken: dict[str, ProblemError] = {}

    def piece(name: str | int, start_s: float, seconds: float) -> Block:
        stem = by_name[name]
        try:
            return _piece(stem, start_s, seconds, compared_hz)
        except ProblemError as error:
            broken[stem.name] = error
            return np.zeros((round(seconds * compared_hz), stem.info.channels))

    found: list[Finding] = []
    features: dict[str | int, Features] = {}
    for stem, meter in zip(stems, meters, strict=True):
        found += meter.faults.findings(stem.name)
        features[stem.name] = meter.faults.features()
    with ThreadPoolExecutor(session.cores) as pool:
        found += inspect_pairs(features, piece, compared_hz, pool.map, told_hz=rate_hz)
    names = {stem.name: stem.info.path.name for stem in stems}
    found += [_unreadable(name, names[name], error) for name, error in broken.items()]
    found += disagreeing({stem.name: s for stem in stems if (s := _stamp(stem.info))})
    return found + _odd_rates(stems, rate_hz)


def _told(stems: Sequence[Stem], found: Sequence[Finding]) -> tuple[Finding, ...]:
    """The worst first, and what the sheet takes care of as a note."""
    tracks = {stem.name: stem.track for stem in stems}
    told = [_as_mended(one, tracks.get(str(one.track))) for one in found]
    return tuple(sorted(told, key=lambda finding: SEVERITIES.index(finding.severity)))


class _StemMeters:
    """Everything that listens to one file while it is played."""

    def __init__(self, stem: Stem, measured: bool) -> None:
        info = stem.info
        bits = None if info.is_float else 8 * PCM_BYTES.get(info.subtype, 0) or None
        self.stem = stem
        self.faults = FaultMeter(info.rate_hz, info.channels, bits)
        self._sound = SoundMeter(info.rate_hz, info.channels)
        self._measured = measured

    def play(self) -> None:
        """Play the file; what comes before it in the song is silence to the detectors."""
        info, lead = self.stem.info, round(self.stem.lead_s * self.stem.info.rate_hz)
        for at in range(0, lead, FRAMES):
            self.faults.feed(np.zeros((min(FRAMES, lead - at), info.channels)))
        for at, block in played(info):
            if self._measured:
                self._sound.feed(block)
            self.faults.feed(block[max(0, -lead - at) :] if lead < 0 else block)

    def error(self) -> ProblemError | None:
        """Play the file; return what went wrong, None if nothing did."""
        try:
            self.play()
        except ProblemError as error:
            return error
        return None

    def readings(self) -> StemReadings:
        """What the file is and measures."""
        info = self.stem.info
        sound = self._sound.readings()
        return StemReadings(
            self.stem.name, info, sound, self._sound.silence(), read_bext(info.path)
        )


def _piece(stem: Stem, start_s: float, seconds: float, rate_hz: int) -> Block:
    """Part of a track in the time of the song, with the polarity that the sheet gives it."""
    offset, start = round(stem.lead_s * rate_hz), max(0, round(start_s * rate_hz))
    block = read_part(stem.info, rate_hz, round(seconds * rate_hz), offset, start)
    inverted = stem.track is not None and stem.track.polarity == "invert"
    return -block if inverted else block


def _as_mended(finding: Finding, track: Track | None) -> Finding:
    """A fault that the sheet takes care of already is worth a note, and needs no fix."""
    if track is None or not _mends(finding, track):
        return finding
    if finding.kind == "rumble" and track.role in LOW_END_ROLES:
        message = f"{finding.message}; it may belong to the {track.role}"
    else:
        message = f"{finding.message}; the sheet takes care of it"
    return dataclasses.replace(finding, severity="note", message=message, fix=None)


def _mends(finding: Finding, track: Track) -> bool:
    bands = [band.settings for band in track.eq]
    if finding.kind == "rumble":
        passes = any(b.type == "high_pass" and b.freq_hz >= 25.0 for b in bands)
        return passes or track.role in LOW_END_ROLES
    if finding.kind == "hum":
        return any(b.type == "notch" and 45.0 <= b.freq_hz <= 65.0 for b in bands)
    if finding.kind == "dc":
        return any(b.type == "high_pass" for b in bands)
    return finding.kind == "really_mono" and track.width_percent == 0.0


def _stamp(info: StemInfo) -> TimeStamp | None:
    """The time stamp of a file that has one."""
    bext = read_bext(info.path)
    return None if bext is None else TimeStamp(bext.time_reference_samples, info.rate_hz)


def _odd_rates(stems: Sequence[Stem], rate_hz: int) -> list[Finding]:
    return [
        Finding(
            kind="rate",
            track=stem.name,
            severity="note",
            message=f"is at {stem.info.rate_hz} Hz and will be converted to {rate_hz} Hz",
        )
        for stem in stems
        if stem.info.rate_hz != rate_hz
    ]


def stems_of_sheet(sheet: Sheet, session: Session = USUAL) -> list[Stem]:
    """Return the files of a sheet's tracks by the names of these; ProblemError names bad ones."""
    pairs = zip(sheet.tracks, probe_stems(sheet, session), strict=True)
    return [Stem(track.name, info, track) for track, info in pairs]
