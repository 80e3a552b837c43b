"""Rule eq/masked."""

from __future__ import annotations

from collections.abc import Mapping

from mixwright.checks.eq.bands import AUDIBLE_DB, turns
from mixwright.checks.rule import Remark, Result, rule
from mixwright.measuring.evidence import Evidence
from mixwright.meters.masking import MaskedPair, most_masked_pairs
from mixwright.sheet import Band, Track

MOST_REMARKS = 5
# What is recorded together or sung together is one sound in several microphones or takes.
KIT = ("kick", "snare", "toms", "cymbals", "drum_overheads", "drum_room")
VOICES = ("lead_vocal", "backing_vocal")
# A track of which so much is covered is hardly heard, whatever was done about it.
HIDDEN_PERCENT = 90.0
# Pairs that are asked for, a track: those within one kit or one choir are passed over.
PAIRS_PER_TRACK = 12


@rule("eq/masked", "masked_percent")
def masked(heard: Evidence, limits: Mapping[str, float]) -> Result:
    """One track covers another, and no EQ makes room.

    Measures partial masking in the loudest section, with all tracks after their EQ and at their
    still faders: how much of a track, by its own loudness, lies under the threshold of hearing that
    another makes (rounded-exponential auditory filters). Tracks of one source are not held against
    one another: the microphones of a drum kit, lead voice, doubles and backing voices, tracks of
    one role. It is answered where the track that covers is cut, or the covered one boosted, by 1 dB
    or more within the range in question, by a bell or a shelf on the track or its group, or where
    the covering track steps back by a compressor keyed by the other. Then a note is made, unless
    more than 90 % is covered all the same. Of every covered track the worst pair is named.

    Why it matters: two tracks that want the same range at the same time add up to neither. A small
    cut in one of them is mostly enough to hear both.

    Source: B. Glasberg and B. Moore, "Derivation of auditory filter shapes from notched-noise
    data", Hearing Research 47 (1990); complementary EQ is common practice.

    Fails:
        tracks: {keys: {gain_db: -40}}
    """
    limit = limits["masked_percent"]
    playing = {
        track.name: track for track in heard.heard_tracks() if heard.plays_in_focus(track.name)
    }
    if len(playing) < 2:
        return Result.nothing("fewer than two tracks play in the loudest section")
    powers = {name: track.eq_bands for name, track in playing.items()}
    pairs = [
        pair
        for pair in most_masked_pairs(powers, PAIRS_PER_TRACK * len(powers))
        if not _one_source(playing[pair.masked].track, playing[pair.masker].track)
    ]
    if not pairs:
        return Result("no track covers another")
    first = pairs[0]
    measured = f"most covered is {first.masked}, {100.0 * first.share:.0f} % under {first.masker}"
    over = [pair for pair in pairs if 100.0 * pair.share > limit]
    remarks = [_remark(heard, pair, limit) for pair in over]
    remarks.sort(key=lambda remark: remark.verdict != "look")
    named: dict[str | None, Remark] = {}
    for remark in remarks:
        named.setdefault(remark.name, remark)
    return Result(f"{measured} ({_range(first)})", tuple(named.values())[:MOST_REMARKS])


def _one_source(one: Track, other: Track) -> bool:
    roles = (one.role, other.role)
    if any(all(role in family for role in roles) for family in (KIT, VOICES)):
        return True
    if one.role == other.role == "other":
        # Nothing but the names tells: kick_in and kick_out.
        return one.name.partition("_")[0] == other.name.partition("_")[0]
    return one.role == other.role


def _answer(heard: Evidence, pair: MaskedPair) -> str | None:
    """What makes room for the covered track, in words; None if nothing does."""
    by_name = {track.name: track for track in heard.sheet.tracks}
    below, above = by_name[pair.masked], by_name[pair.masker]
    compressor = above.compressor
    if compressor is not None and compressor.key == below.name:
        return f"{above.name} steps back under it"
    shared = below.group is not None and below.group == above.group
    for track, by_db, said in ((above, -AUDIBLE_DB, "is cut"), (below, AUDIBLE_DB, "is boosted")):
        bands = track.eq if shared else (*track.eq, *_group_eq(heard, track))
        if any(turns(band, by_db, pair.low_hz, pair.high_hz) for band in bands):
            return f"{track.name} {said} there"
    return None


def _group_eq(heard: Evidence, track: Track) -> tuple[Band, ...]:
    return next((group.eq for group in heard.sheet.groups if group.name == track.group), ())


def _remark(heard: Evidence, pair: MaskedPair, limit: float) -> Remark:
    answer, percent = _answer(heard, pair), 100.0 * pair.share
    looks = answer is None or percent > HIDDEN_PERCENT
    said = f"{percent:.0f} % of {pair.masked} lies under {pair.masker}, mostly from {_range(pair)}"
    if answer is not None:
        said += f"; {answer}, which is not enough" if looks else f"; {answer}"
    if looks:
        said += f", expected {limit:g} % at most"
        said += ", or a cut or boost of 1 dB that makes room" if answer is None else ""
    return Remark(
        "look" if looks else "note",
        said,
        help=f"cut {pair.masker} in that range, or bring {pair.masked} out" if looks else None,
        path=("tracks", pair.masked),
        name=pair.masked,
        section=heard.section_at(heard.focus_s[0]),
        measured=percent,
        limit=limit,
        unit="%",
    )


def _range(pair: MaskedPair) -> str:
    return f"{_hz(pair.low_hz)} to {_hz(pair.high_hz)}"


def _hz(freq_hz: float) -> str:
    """A frequency as one says it, to two digits."""
    rounded = float(f"{freq_hz:.2g}")
    return f"{rounded / 1000.0:g} kHz" if rounded >= 1000.0 else f"{rounded:g} Hz"
