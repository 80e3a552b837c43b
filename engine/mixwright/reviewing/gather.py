"""All that a review page tells, gathered: figures along the song, tracks, checks, changes."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import replace

import numpy as np

from mixwright.checks import Checked
from mixwright.checks.automation.phrase_buried import phrases_heard
from mixwright.checks.rule import Remark
from mixwright.comparing.changes import Change, changes_between
from mixwright.dsp.curve import Curve
from mixwright.dsp.eq import EqSettings
from mixwright.measuring.evidence import Evidence, VoiceHeard
from mixwright.meters.bands import third_octaves
from mixwright.meters.sound import SoundMeter
from mixwright.meters.spectrum import SpectrumMeter
from mixwright.rendering.plan import Plan
from mixwright.rendering.reductions import Reduction
from mixwright.reviewing.data import (
    Automation,
    FindingLine,
    Level,
    MoveLine,
    Phrase,
    ReviewData,
    RuleLine,
    SectionLine,
    Send,
    Series,
    SongTimeline,
    SoundChange,
    Spectra,
    SpectrumCurve,
    StageLine,
    TrackRow,
)
from mixwright.reviewing.listening import HOP_S, HeardMix, Listening
from mixwright.sheet import Sheet
from mixwright.sheet.model import Bus, Group, Track, processors_of
from mixwright.sheet.part_words import (
    effect_words,
    insert_words,
    moving_band_words,
    processor_words,
)
from mixwright.units import SILENCE_DB, Floats, gain_to_db, unless_silent
from mixwright.version import __version__
from mixwright.words import named

SHORT_TERM_S = 3.0
SILENT_LUFS = -100.0
# Where the voice is so far below its own loudest moment it is a breath, and told against nothing.
VOICE_WITHIN_DB = 40.0


def review_data(
    heard: Evidence, checked: Checked, listening: Listening, before: tuple[str, Sheet] | None
) -> ReviewData:
    """Return everything that the page of a sheet shows; `before` is the version to compare with."""
    sheet, finished, previous = heard.sheet, listening.finished, listening.previous
    return ReviewData(
        title=sheet.song.title,
        artist=sheet.song.artist or "",
        version=__version__,
        rate_hz=heard.rate_hz,
        seconds=finished.done.frames / heard.rate_hz,
        sections=tuple(
            SectionLine(s.name, s.start / heard.rate_hz, s.end / heard.rate_hz)
            for s in heard.sections
        ),
        sources=listening.sources(),
        timeline=_timeline(heard, finished),
        spectrum=_spectrum(listening),
        tracks=(*(_track(heard, finished, track) for track in sheet.tracks), *_buses(heard)),
        stages=_stages(checked),
        changes=None if before is None else _changes(before[1], sheet),
        against=None if before is None else before[0],
        sound_changes=None if previous is None else _sound_changes(previous, finished),
    )


def _timeline(heard: Evidence, finished: HeardMix) -> SongTimeline:
    sound, gain = finished.done.meter, finished.done.gain
    count = max(1, math.ceil(finished.done.seconds / HOP_S))
    return SongTimeline(
        hop_s=HOP_S,
        short_term_lufs=_short_term(sound, gain, count),
        true_peak_dbtp=_true_peaks(sound, gain, count),
        bus_reduction_db=_bus_reduction(finished.done.reductions.get("mix_bus.compressor"), count),
        voice_over_band_db=None if heard.voice is None else _voice_over(heard.voice, count),
        phrases=() if heard.voice is None else _phrases(heard.voice),
        automation=tuple(_automation(heard.plan)),
    )


def _short_term(sound: SoundMeter, gain: float, count: int) -> Series:
    """Loudness over the 3 s around each moment; none where they reach beyond the mix."""
    levels = sound.loudness_over_time(SHORT_TERM_S, gain=gain)
    found: list[Level] = []
    for hop in range(count):
        index = round((hop * HOP_S - SHORT_TERM_S / 2.0) * 100.0)
        level = float(levels[index]) if 0 <= index < len(levels) else None
        # Filters ring on far below anything: that is silence.
        found.append(SILENCE_DB if level is not None and level < SILENT_LUFS else level)
    return tuple(found)


def _true_peaks(sound: SoundMeter, gain: float, count: int) -> Series:
    peaks = sound.true_peak_over_time(HOP_S, gain)
    return tuple(gain_to_db(float(peak)) for peak in peaks[:count]) + (None,) * (count - len(peaks))


def _bus_reduction(reduction: Reduction | None, count: int) -> Series | None:
    """The most reduction in each stretch; see the sections of the finished plan."""
    if reduction is None:
        return None
    by_hop = {int(name): one.max_db for name, one in reduction.by_section.items()}
    return tuple(by_hop.get(hop) for hop in range(count))


def _voice_over(voice: VoiceHeard, count: int) -> Series:
    """The voice's power over that of the rest, both over all bands; none where nobody sings."""
    mine, rest = _by_hop(voice.voice, voice.hop_s, count), _by_hop(voice.rest, voice.hop_s, count)
    least = mine.max(initial=0.0) * 10.0 ** (-VOICE_WITHIN_DB / 10.0)
    return tuple(
        10.0 * math.log10(one / other) if one > least and other > 0.0 else None
        for one, other in zip(mine.tolist(), rest.tolist(), strict=True)
    )


def _by_hop(bands: Floats, hop_s: float, count: int) -> Floats:
    """Mean powers (frames, bands) summed over bands and averaged over the page's hops."""
    power, found = bands.sum(axis=1), np.zeros(count)
    owners = np.minimum((np.arange(len(power)) * hop_s / HOP_S).astype(np.int64), count - 1)
    np.add.at(found, owners, power)
    return found / np.maximum(np.bincount(owners, minlength=count), 1)


def _phrases(voice: VoiceHeard) -> tuple[Phrase, ...]:
    found = phrases_heard(voice)
    return tuple(Phrase(one.phrase.start_s, one.phrase.end_s, one.share) for one in found)


def _automation(plan: Plan) -> Iterator[Automation]:
    """Everything that moves, strip by strip."""
    for track in plan.tracks:
        yield from _moving(plan, track.name, "fader", "dB", track.fader)
        yield from _moving(plan, track.name, "pan", "", track.pan)
        yield from _moving(plan, track.name, "mute", "", track.mute)
        for target, level in track.sends:
            yield from _moving(plan, track.name, f"{target} send", "dB", level)
    equalised = [(t.name, t.chain.eq) for t in plan.tracks]
    buses = (*plan.groups, plan.mix_bus, *plan.returns)
    equalised += [(bus.name, bus.chain.eq) for bus in buses]
    for name, eq in equalised:
        yield from _moving_bands(plan, name, eq)
    for part in (*plan.groups, *plan.returns, plan.mix_bus):
        yield from _moving(plan, part.name, "fader", "dB", part.fader)
        yield from _moving(plan, part.name, "mute", "", part.mute)


def _moving_bands(plan: Plan, name: str, eq: EqSettings) -> Iterator[Automation]:
    """The frequencies and gains of bands that move."""
    for ride in eq.rides:
        kind = named(eq.bands[ride.band].type)
        if ride.freq_hz is not None:
            yield from _moving(plan, name, f"EQ {kind} frequency", "Hz", ride.freq_hz)
        if ride.gain_db is not None:
            yield from _moving(plan, name, f"EQ {kind} gain", "dB", ride.gain_db)


def _moving(plan: Plan, name: str, what: str, unit: str, curve: Curve) -> Iterator[Automation]:
    """A curve that is not still, by the ends of its moves."""
    if curve.is_constant:
        return
    value, points = curve.initial, [(0.0, curve.initial)]
    for move in curve.moves:
        points.append((move.start / plan.rate_hz, value))
        points.append(((move.start + move.length) / plan.rate_hz, move.value))
        value = move.value
    points.append((plan.end / plan.rate_hz, value))
    if what == "mute":
        told = [(at, 1.0 if level == SILENCE_DB else 0.0) for at, level in points]
    else:
        told = points
    yield Automation(name, what, unit, tuple(sorted(told, key=lambda point: point[0])))


def _spectrum(listening: Listening) -> Spectra:
    """The mix, the version before and the references by thirds, at the loudness of the mix."""
    mixes = [one for one in (listening.finished, listening.previous) if one is not None]
    rows = [(one.label, one.readings.integrated_lufs, _thirds_of(one)) for one in mixes]
    for reference in listening.references:
        figures = reference.ear.figures()
        levels = figures.spectrum.third_octave_db
        rows.append((reference.info.path.name, figures.sound.integrated_lufs, levels))
    loudness = rows[0][1]
    count = min(len(levels) for *_, levels in rows)
    curves = []
    for label, own, levels in rows:
        by_db = 0.0 if loudness is None or own is None else loudness - own
        heights = tuple(None if level is None else level + by_db for level in levels[:count])
        curves.append(SpectrumCurve(label, heights))
    bands = tuple(band.nominal_hz for band in third_octaves()[:count])
    return Spectra(bands, tuple(curves))


def _thirds_of(one: HeardMix) -> Series:
    meter = SpectrumMeter(one.done.rate_hz, 2)
    for block in one.done.blocks():
        meter.feed(block)
    return meter.readings().third_octave_db


def _track(heard: Evidence, finished: HeardMix, track: Track) -> TrackRow:
    strip = next(s for s in finished.done.tracks if s.name == track.name)
    level = unless_silent(heard.tracks[track.name].placed.integrated_lufs())
    return TrackRow(
        name=track.name,
        role=track.role.replace("_", " "),
        group=track.group,
        level_lufs=level,
        peak_dbfs=strip.sample_peak_dbfs,
        pan=track.pan,
        width_percent=track.width_percent,
        moves=tuple(_moves(track)),
        sends=tuple(Send(name, level_db) for name, level_db in track.sends_db.items()),
        muted=track.mute,
    )


def _buses(heard: Evidence) -> Iterator[TrackRow]:
    """Groups, returns and the mix bus: what they do to what goes through them."""
    for name, group in heard.groups.items():
        level = unless_silent(group.after.integrated_lufs())
        yield TrackRow(name, "group", None, level, None, None, None, tuple(_moves(group.group)))
    for name, wet in heard.returns.items():
        part = wet.part
        moves = [MoveLine(effect_words(part), part.why)]
        moves += [MoveLine(f"EQ: {moving_band_words(band)}", band.why) for band in part.eq]
        level = unless_silent(wet.wet.integrated_lufs())
        yield TrackRow(name, "return", None, level, None, None, None, tuple(moves))
    bus = heard.sheet.mix_bus
    moves = list(_shaping(bus))
    if bus.limiter is not None:
        moves.append(MoveLine(f"limiter: {processor_words(bus.limiter)}", bus.limiter.why))
    loudness = heard.mix_readings().integrated_lufs
    yield TrackRow("mix_bus", "mix bus", None, loudness, None, None, None, tuple(moves))


def _moves(strip: Track | Group) -> Iterator[MoveLine]:
    """Everything done to a track, in the order of the sound, with its reason."""
    yield from _shaping(strip)
    for insert in strip.inserts:
        yield MoveLine(insert_words(insert), insert.why)
    if ridden := _ridden(strip):
        yield MoveLine(f"rides: {', '.join(ridden)}")


def _shaping(part: Track | Group | Bus) -> Iterator[MoveLine]:
    """EQ and processors, after the reason for it all."""
    if part.why is not None:
        yield MoveLine("as a whole", part.why)
    for band in part.eq:
        yield MoveLine(f"EQ: {moving_band_words(band)}", band.why)
    for kind, one in processors_of(part):
        yield MoveLine(f"{named(kind.id)}: {processor_words(one)}", one.why)


def _ridden(strip: Track | Group) -> list[str]:
    """What of a strip moves along the song."""
    words = {"gain_db": "fader", "pan": "pan", "mute": "mute"}
    found = [word for key, word in words.items() if getattr(strip.automation, key, ())]
    sends = strip.automation.sends_db if isinstance(strip, Track) else {}
    return found + [f"{name} send" for name, points in sends.items() if points]


def _stages(checked: Checked) -> tuple[StageLine, ...]:
    return tuple(
        StageLine(
            stage.stage,
            stage.state,
            tuple(
                RuleLine(
                    rule.rule.id,
                    rule.state,
                    rule.measured,
                    tuple(
                        FindingLine(
                            message=_without_name(one.remark),
                            help=one.remark.help,
                            at_s=one.remark.at_s,
                            section=one.remark.section,
                            name=one.remark.name,
                            place=None if one.span is None else _place(one.span),
                            accepted_why=one.accepted,
                            standing=one.remark.verdict,
                        )
                        for one in rule.spoken
                    ),
                )
                for rule in stage.rules
            ),
            stage.headline,
        )
        for stage in checked.stages
    )


def _without_name(remark: Remark) -> str:
    """What is found, without the name that stands before it on the page."""
    return remark.message.removeprefix(f"{remark.name}: ")


def _place(span: object) -> str:
    """A place in the sheet without the folder: it says nothing on another machine."""
    return str(span).rpartition("/")[2]


def _changes(before: Sheet, sheet: Sheet) -> tuple[Change, ...]:
    """What changed, without its places: a path says nothing on another machine."""
    changes = changes_between(before, sheet)
    return tuple(replace(change, old_span=None, new_span=None) for change in changes)


def _sound_changes(previous: HeardMix, finished: HeardMix) -> tuple[SoundChange, ...]:
    """The figures of the finished mix, before and after."""
    old, new = previous.readings, finished.readings
    reduced: list[Level] = []
    for one in (previous, finished):
        reduction = one.done.reductions.get("mix_bus.compressor")
        reduced.append(None if reduction is None else reduction.max_db)
    rows: Mapping[str, tuple[Level, Level, str]] = {
        "integrated loudness": (old.integrated_lufs, new.integrated_lufs, "LUFS"),
        "loudest short-term": (old.short_term_max_lufs, new.short_term_max_lufs, "LUFS"),
        "loudness range": (old.loudness_range_lu, new.loudness_range_lu, "LU"),
        "true peak": (old.true_peak_dbtp, new.true_peak_dbtp, "dBTP"),
        "side to mid": (old.side_to_mid_db, new.side_to_mid_db, "dB"),
        "mono loss": (old.mono_loss_lu, new.mono_loss_lu, "LU"),
        "bus compressor, most": (reduced[0], reduced[1], "dB"),
    }
    return tuple(SoundChange(label, *row) for label, row in rows.items())
