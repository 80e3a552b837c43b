"""Faults between tracks: polarity, time offsets, duplicates.

Nothing but envelopes is kept of the tracks (:class:`mixwright.faults.follow.Features`, 0.2 MB for
four minutes). Pairs whose sounds begin together are candidates, and of these up to 20 seconds in
which both are loudest are read again: five first, and the rest only if these have something in
common. That takes some 60 MB while one pair is looked at. What is played together is not yet one
source: two takes of a guitar, or a kick and a bass, begin together too, but their waveforms share
nothing.

All times are those of the features: feed every track from the start of the song on (or from the
start of its file), and let `read` count the same way.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np

from mixwright.faults.alignment import CrossSpectra, Delay
from mixwright.faults.cancelling import LEAD_S, PIECE_S, Cancelling, cancelling
from mixwright.faults.candidates import (
    Growth,
    TrackPair,
    beginnings,
    onsets,
    shifted,
    spread_windows,
    together,
    windows,
)
from mixwright.faults.findings import Duplicate, Finding, Late, Opposed, TrackName
from mixwright.faults.follow import Features
from mixwright.units import Block, Floats, gain_to_db, unless_silent

# From a track, a start and a length in seconds to a block (frames, channels) at one rate for all.
Read: TypeAlias = Callable[[TrackName, float, float], Block]
# Goes through all pairs in order and yields what each has to do with one another.
Each: TypeAlias = Callable[
    ["Callable[[TrackPair], Relation | None]", list[TrackPair]], "Iterable[Relation | None]"
]

SPEED_OF_SOUND_M_PER_S = 343.0
WINDOWS, FIRST_WINDOWS, SPREAD_WINDOWS, BEGINNINGS = 20, 5, 8, 30
# What makes a delay certain: its height, the margin over the other sign, the bandwidth.
CERTAIN_PEAK, CERTAIN_MARGIN, CERTAIN_HZ = 0.6, 1.4, 300.0
PERFECT_PEAK, PERFECT_MARGIN, PERFECT_HZ = 0.95, 1.15, 80.0
LIKELY_PEAK, LIKELY_MARGIN = 0.8, 1.1
SURE_PEAK, SURE_SHARE = 0.7, 0.6
# How much has to be common: to go on, to tell polarity, to be told as late, to be one source.
SOMETHING, SIGN_SHARE, SPILL_SHARE, ONE_SOURCE_SHARE = 0.1, 0.15, 0.25, 0.7
CLEAR_MARGIN = 2.0
LEAST_LATE_S = 0.0001
PERHAPS_SAME_SHARE, SAME_RESIDUAL = 0.75, 3e-4


@dataclass(frozen=True)
class Relation:
    """What the audio of a pair says; `sign` is -1 if they are upside down, 1 if not, 0 unknown."""

    pair: TrackPair
    delay: Delay
    sign: int
    cancelling: Cancelling | None = None


class PairInspector:
    """Reads pairs of tracks again and keeps what they say of one another."""

    def __init__(self, tracks: Mapping[TrackName, Features], read: Read, rate_hz: int) -> None:
        self._tracks, self._read, self._rate_hz = tracks, read, rate_hz
        self.begins: dict[TrackName, Growth] = {
            name: onsets(features) for name, features in tracks.items() if features.plain.any()
        }

    def relation(self, pair: TrackPair) -> Relation | None:
        """Return what a pair has to do with one another, None if nothing."""
        places = self._places(windows, pair, WINDOWS)
        spectra = CrossSpectra(self._rate_hz)
        self._feed(spectra, pair, places[:FIRST_WINDOWS])
        first = spectra.delay()
        if first is None or first.share < SOMETHING:
            return None
        self._feed(spectra, pair, places[FIRST_WINDOWS:])
        delay = spectra.delay()
        if delay is None:
            return None
        certain = _certain(delay)
        if delay.share < SIGN_SHARE or (pair.shift_s and not certain):
            return Relation(pair, delay, 0)
        if certain:
            return Relation(pair, delay, 1 if delay.peak > 0.0 else -1)
        if delay.peak >= LIKELY_PEAK and delay.peak >= LIKELY_MARGIN * abs(delay.other):
            # Probably later by so much, which may look like the other polarity at one pitch.
            return Relation(pair, delay, 0)
        found = cancelling(list(self._beginnings(pair)), self._rate_hz)
        return Relation(pair, delay, 0 if found is None else -1, found)

    def duplicate(self, relation: Relation) -> Duplicate | None:
        """Return a finding if the second track is the first, moved and turned up or down."""
        if relation.delay.share < PERHAPS_SAME_SHARE:
            return None
        # Read in line, frames hold the same to the end. The same chorus twice is not the same
        # track: it has to be so everywhere.
        whole = round(relation.delay.samples)
        shift_s = relation.pair.shift_s + whole / self._rate_hz
        pair = replace(relation.pair, shift_s=shift_s)
        spectra = CrossSpectra(self._rate_hz)
        self._feed(spectra, pair, self._places(spread_windows, pair, SPREAD_WINDOWS))
        delay = spectra.delay()
        if delay is None or delay.residual > SAME_RESIDUAL:
            return None
        gain_db = gain_to_db(abs(delay.gain))
        late_ms = 1000.0 * (pair.shift_s + delay.samples / self._rate_hz)
        # Adding 0.0 takes the sign off a zero.
        how = f"{round(gain_db, 2) + 0.0:+.2f} dB, {round(late_ms, 2) + 0.0:+.2f} ms"
        upside_down = ", upside down" if delay.gain < 0.0 else ""
        return Duplicate(
            track=pair.second,
            severity="look",
            message=f"is the same audio as {pair.first} ({how}{upside_down})",
            partner=pair.first,
            gain_db=gain_db,
            late_ms=late_ms,
            residual_db=unless_silent(0.5 * gain_to_db(delay.residual)),
            inverted=delay.gain < 0.0,
        )

    def _places(
        self,
        choose: Callable[[Features, Features, float, int], list[float]],
        pair: TrackPair,
        count: int,
    ) -> list[float]:
        first, second = self._tracks[pair.first], self._tracks[pair.second]
        return choose(first, second, pair.shift_s, count)

    def _feed(self, spectra: CrossSpectra, pair: TrackPair, places: list[float]) -> None:
        for start in places:
            if start + pair.shift_s < 0.0:
                continue
            spectra.feed(
                self._piece(pair.first, start, 1.0),
                self._piece(pair.second, start + pair.shift_s, 1.0),
            )

    def _beginnings(self, pair: TrackPair) -> Iterator[tuple[Floats, Floats]]:
        begins = self.begins[pair.first], self.begins[pair.second]
        for moment in beginnings(*begins, BEGINNINGS):
            if (start := moment - LEAD_S) >= 0.0:
                yield (
                    self._piece(pair.first, start, PIECE_S),
                    self._piece(pair.second, start, PIECE_S),
                )

    def _piece(self, track: TrackName, start_s: float, seconds: float) -> Floats:
        """The middle of a piece of a track, shape ``(frames,)``."""
        frames = round(seconds * self._rate_hz)
        middle = np.zeros(frames)
        read = self._read(track, start_s, seconds)[:frames]
        middle[: len(read)] = 0.5 * (read[:, 0] + read[:, -1])
        return middle


def inspect_pairs(
    tracks: Mapping[TrackName, Features],
    read: Read,
    rate_hz: int,
    each: Each = map,
    told_hz: int | None = None,
) -> tuple[Finding, ...]:
    """Return what is wrong between tracks; `read` gives pieces of them at `rate_hz`.

    No more than one finding of a kind for a track. What `read` leaves out beyond the end of a track
    counts as silence. `each` is how pairs are gone through, in order: a thread pool's `map` looks
    at several at once. `told_hz` is the rate whose samples delays are told in, if it is another.
    """
    found: list[Finding] = list(_identical(tracks))
    settled = {finding.track for finding in found}
    others = {name: features for name, features in tracks.items() if name not in settled}
    inspector = PairInspector(others, read, rate_hz)
    relations = []
    pairs = [*together(inspector.begins), *shifted(inspector.begins)]
    for pair, relation in zip(pairs, each(inspector.relation, pairs), strict=True):
        if pair.second in settled or relation is None:
            continue
        if (duplicate := inspector.duplicate(relation)) is not None:
            found.append(duplicate)
            settled.add(pair.second)
        elif not pair.shift_s:
            relations.append(relation)
    kept = [one for one in relations if not {one.pair.first, one.pair.second} & settled]
    loudness = {name: float(features.plain.sum()) for name, features in others.items()}
    found += _opposed(kept, loudness, rate_hz)
    found += _late(kept, rate_hz, told_hz or rate_hz)
    return tuple(found)


def _identical(tracks: Mapping[TrackName, Features]) -> Iterator[Duplicate]:
    """Tracks whose audio is the same to the bit, each against the first of them."""
    seen: dict[str, TrackName] = {}
    for name, features in tracks.items():
        if not features.plain.any():
            continue
        first = seen.setdefault(features.digest, name)
        if first != name:
            yield Duplicate(
                track=name,
                severity="look",
                message=f"is the same audio as {first}, to the bit",
                partner=first,
                gain_db=0.0,
                late_ms=0.0,
                residual_db=None,
            )


def _opposed(
    relations: list[Relation], loudness: Mapping[TrackName, float], rate_hz: int
) -> Iterator[Opposed]:
    """Tracks that are upside down against the others they share a source with.

    Which of two it is can't be heard: where more are connected the fewer are told, otherwise the
    quieter. Strong relations are followed first, so that a weak one can't turn a whole group.
    """
    signed = sorted((one for one in relations if one.sign), key=_certainty, reverse=True)
    polarity: dict[TrackName, int] = {}
    groups: dict[TrackName, set[TrackName]] = {}
    for one in signed:
        first, second = one.pair.first, one.pair.second
        for name in (first, second):
            groups.setdefault(name, {name})
            polarity.setdefault(name, 1)
        if groups[first] is groups[second]:
            continue
        if polarity[first] * polarity[second] != one.sign:
            for name in groups[second]:
                polarity[name] = -polarity[name]
        groups[first] |= groups[second]
        for name in groups[second]:
            groups[name] = groups[first]
    for group in {id(group): group for group in groups.values()}.values():
        sides = [{name for name in group if polarity[name] == side} for side in (1, -1)]
        fewer = min(sides, key=lambda side: (len(side), sum(loudness[name] for name in side)))
        for name in sorted(fewer, key=str):
            against = [
                one
                for one in signed
                if one.sign < 0 and len({one.pair.first, one.pair.second} & fewer) == 1
                if name in (one.pair.first, one.pair.second)
            ]
            if against:
                yield _opposed_finding(name, against[0], rate_hz)


def _certain(delay: Delay) -> bool:
    """Whether a delay is one, rather than two sounds or one pitch: broad, or next to perfect."""
    margin = abs(delay.peak) / max(abs(delay.other), 1e-9)
    broad = (CERTAIN_PEAK, CERTAIN_MARGIN, CERTAIN_HZ)
    perfect = (PERFECT_PEAK, PERFECT_MARGIN, PERFECT_HZ)
    return any(
        abs(delay.peak) >= peak and margin >= least and delay.bandwidth_hz >= width_hz
        for peak, least, width_hz in (broad, perfect)
    )


def _certainty(relation: Relation) -> float:
    return relation.delay.share * (0.5 if relation.cancelling else 1.0)


def _opposed_finding(name: TrackName, relation: Relation, rate_hz: int) -> Opposed:
    pair, delay, found = relation.pair, relation.delay, relation.cancelling
    partner = pair.first if name == pair.second else pair.second
    turn = 1.0 if name == pair.second else -1.0
    if found is None:
        sure = abs(delay.peak) >= SURE_PEAK and delay.share >= SURE_SHARE
        correlation, samples = delay.peak, delay.samples
        message = f"is upside down against {partner} (correlation {delay.peak:.2f})"
    else:
        sure, correlation, samples = False, found.nearby, found.lag_samples
        message = (
            f"cancels {partner} between {found.low_hz:.0f} and {found.high_hz:.0f} Hz "
            f"(correlation {found.at_once:.2f}): one of them is probably upside down"
        )
    return Opposed(
        track=name,
        severity="fault" if sure else "look",
        message=message,
        fix="polarity: invert",
        partner=partner,
        correlation=correlation,
        lag_ms=turn * 1000.0 * samples / rate_hz,
    )


def _late(relations: list[Relation], rate_hz: int, told_hz: int) -> Iterator[Late]:
    """Tracks that hear a source later than a partner does, each against the one it shares most.

    Only where both are one source throughout, and no other delay comes near, is moving suggested:
    a microphone over a kit is late for every drum by another time.
    """
    told: set[TrackName] = set()
    for one in sorted(relations, key=lambda one: one.delay.share, reverse=True):
        delay, pair = one.delay, one.pair
        if not one.sign or one.cancelling or delay.share < SPILL_SHARE:
            continue
        late, early = pair.second, pair.first
        if delay.samples < 0.0:
            late, early = early, late
        samples = abs(delay.samples)
        if samples < LEAST_LATE_S * rate_hz or late in told:
            continue
        told.add(late)
        late_ms = 1000.0 * samples / rate_hz
        samples *= told_hz / rate_hz
        distance = late_ms * SPEED_OF_SOUND_M_PER_S / 1000.0
        whole = delay.share >= ONE_SOURCE_SHARE
        clear = whole and abs(delay.peak) >= CLEAR_MARGIN * abs(delay.other)
        yield Late(
            track=late,
            severity="look" if clear else "note",
            message=f"hears {'the same as' if whole else 'part of'} {early} {late_ms:.2f} ms later"
            f" ({samples:.1f} samples, {distance:.2f} m)",
            fix=f"offset_ms: {-late_ms:.2f}" if clear else None,
            partner=early,
            late_samples=samples,
            late_ms=late_ms,
            distance_m=distance,
            share_percent=100.0 * delay.share,
        )
