"""Several mixes of one song at once: each is what it is alone, and parts add up to the whole.

What adds up is held to no reference but itself: the sum of the parts is compared with the mix, and
a mix made beside others with the same made alone, bit by bit.
"""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

import mixwright
from conftest import SongMaker, noise
from mixwright.delivering.variants import sheet_of, versions_of
from mixwright.rendering.perform import PlannedMix, performed
from mixwright.rendering.plan import make_plan, sounding
from mixwright.rendering.session import Session
from mixwright.sheet import Cover, Sheet, Variant
from mixwright.timeline import Position

Sound = NDArray[np.float64]
# Everything that is not linear, on everything that is shared: a gate, a compressor with look-ahead
# that another track keys, a de-esser and inserts on a group, an insert and ducking on returns, glue
# with a make-up that is matched, a limiter.
REST = """
groups:
  band:
    gain_db: 2
    width_percent: 80
    eq: [{type: bell, freq_hz: 500, gain_db: 3, q: 1, on: side}]
    gate: {threshold_db: -45, ratio: 3, look_ahead_ms: 2}
    compressor:
      {threshold_db: -34, ratio: 4, attack_ms: 5, release_ms: 100, key: kick, look_ahead_ms: 3}
    de_esser: {threshold_db: -45, freq_hz: 5000}
    inserts: [{type: saturation, drive_db: 9}, {type: chorus}]
    automation: {gain_db: [{s: 0.5, value: -4, over_ms: 300}]}
  voices: {compressor: {threshold_db: -34, ratio: 3, attack_ms: 3, release_ms: 60}}
returns:
  room: {type: reverb, decay_s: 0.3, inserts: [{type: saturation, drive_db: 6}]}
  echo: {type: delay, time_ms: 120, feedback_db: -9, duck_db: 9}
mix_bus:
  eq: [{type: high_shelf, freq_hz: 8000, gain_db: 2}]
  compressor: {threshold_db: -30, ratio: 3, attack_ms: 10, release_ms: 120}
  limiter: {ceiling_dbtp: -12}
"""
TRACKS = {
    "kick": "gain_db: -3, sends_db: {room: -12}",
    "bass": "group: band, sends_db: {echo: -14}, automation: {pan: [{s: 1, value: L60}]}",
    "piano": "group: band, pan: L40, sends_db: {room: -10, echo: -8}",
    "pad": "group: band, automation: {'sends_db.room': [{s: 0.7, value: -6}]}",
    "lead": "group: voices, sends_db: {room: -8, echo: -6}, eq: [{type: high_pass, freq_hz: 90}]",
    "choir": "group: voices, pan: R30, sends_db: {room: -4}",
    "spare": "group: voices, mute: true",
}
EXACT = [
    Variant("by_group", split_by="group", sum="exact"),
    Variant("by_track", split_by="track", sum="exact"),
    Variant(
        "mixed", stems={"one": ("kick", "piano"), "two": ("voices", "bass", "pad")}, sum="exact"
    ),
]
# The reverb's transforms have 24 bits of mantissa: this is what limits the null.
NULL_DBFS = -120.0


@pytest.fixture
def sheet(make_song: SongMaker) -> Sheet:
    """Two seconds of noise in seven tracks, through all of the above."""
    tracks = {
        name: (noise(seed, 2.0, 1 + seed % 2, 0.2), settings)
        for seed, (name, settings) in enumerate(TRACKS.items())
    }
    return mixwright.load(make_song(tracks, REST))


def sound_of(blocks: object) -> Sound:
    """Blocks as one array."""
    return np.concatenate([np.array(block) for block in blocks])  # type: ignore[attr-defined]


def played(parts: list[PlannedMix], folder: Path, threads: int | None = None) -> list[Sound]:
    """The mixes of some parts, made together."""
    with performed(parts, Session(threads), folder) as done:
        return [sound_of(one.blocks()) for one in done]


def parts_of(sheet: Sheet, variant: Variant) -> list[PlannedMix]:
    """The main mix, and those that a variant is split into after it."""
    parts = [PlannedMix(sounding(make_plan(sheet)))]
    for version in versions_of(sheet, variant, make_plan):
        assert version.follows_main
        before = tuple(range(1, len(parts))) if version.in_exact_set else None
        parts.append(PlannedMix(version.plan, 0, before))
    return parts


def peak_dbfs(sound: Sound) -> float:
    """The highest sample, in dB re full scale."""
    return float(20.0 * np.log10(np.abs(sound).max() + 1e-30))


@pytest.mark.parametrize("variant", EXACT, ids=[v.name for v in EXACT])
def test_parts_add_up_to_the_mix(variant: Variant, sheet: Sheet, tmp_path: Path) -> None:
    main, *parts = played(parts_of(sheet, variant), tmp_path)
    assert {len(part) for part in parts} == {len(main)}
    assert len(parts) == {"by_group": 3, "by_track": 6, "mixed": 2}[variant.name]
    assert peak_dbfs(main) == pytest.approx(-12.1, abs=0.2)  # the limiter is at work
    assert all(peak_dbfs(part) > -60.0 for part in parts)
    assert peak_dbfs(sum(parts) - main) < NULL_DBFS  # type: ignore[operator]


def test_parts_on_their_own_do_not_add_up(sheet: Sheet, tmp_path: Path) -> None:
    variant = Variant("own", split_by="group", sum="own")
    plans = [version.plan for version in versions_of(sheet, variant, make_plan)]
    main, *parts = played([PlannedMix(make_plan(sheet)), *map(PlannedMix, plans)], tmp_path)
    length = min(map(len, (main, *parts)))
    rest = main[:length] - sum(part[:length] for part in parts)
    assert peak_dbfs(rest) > -40.0


def test_what_is_left_out_and_what_is_left_add_up(sheet: Sheet, tmp_path: Path) -> None:
    # No insert is torn by this cut: whole groups go to one side.
    without_inserts = Variant("tv", without=("voices",), bus_gain="from_main", mute=("room",))
    voices = Variant("a_cappella", only=("voices",), bus_gain="from_main", mute=("room",))
    whole = Variant("dry", mute=("room",))
    plans = [
        versions_of(sheet, variant, make_plan)[0].plan
        for variant in (whole, without_inserts, voices)
    ]
    main, *parts = played(
        [PlannedMix(plans[0]), PlannedMix(plans[1], 0), PlannedMix(plans[2], 0)], tmp_path
    )
    assert peak_dbfs(sum(parts) - main) < NULL_DBFS  # type: ignore[operator]


@pytest.mark.parametrize("threads", [1, 3])
def test_a_mix_beside_others_has_the_same_bits(threads: int, sheet: Sheet, tmp_path: Path) -> None:
    variants = [
        Variant("instrumental", without=("voices",)),
        Variant("vocal_up", offset_db={"lead": 1.0, "band": -0.5}),
        Variant("no_room", mute=("room",), only=("kick", "band")),
    ]
    changed = [sheet, *(sheet_of(sheet, variant) for variant in variants)]
    together = played([PlannedMix(sounding(make_plan(one))) for one in changed], tmp_path, threads)
    for one, beside in zip(changed, together, strict=True):
        with performed([PlannedMix(make_plan(one))], folder=tmp_path) as (done,):
            assert np.array_equal(sound_of(done.blocks()), beside)


def test_steps_side_by_side_have_the_same_bits(sheet: Sheet, tmp_path: Path) -> None:
    """The same tracks with other fronts: what is keyed hears the right one."""
    keyed = dataclasses.replace(
        sheet,
        tracks=tuple(
            dataclasses.replace(track, eq=sheet.tracks[4].eq) if track.name == "kick" else track
            for track in sheet.tracks
        ),
    )
    plans = [make_plan(one, step) for one in (sheet, keyed) for step in ("dynamics", "automation")]
    for plan, beside in zip(
        plans, played([PlannedMix(plan) for plan in plans], tmp_path), strict=True
    ):
        with performed([PlannedMix(plan)], folder=tmp_path) as (done,):
            assert np.array_equal(sound_of(done.blocks()), beside)


def test_two_sets_made_together_stay_apart(sheet: Sheet, tmp_path: Path) -> None:
    """They begin with the same part, and an insert that all of them share."""
    parts = [PlannedMix(sounding(make_plan(sheet)))]
    sets: list[list[int]] = []
    for variant in EXACT[:2]:
        before: tuple[int, ...] = ()
        for version in versions_of(sheet, variant, make_plan):
            parts.append(PlannedMix(version.plan, 0, before, variant.name))
            before = (*before, len(parts) - 1)
        sets.append(list(before))
    main, *made = played(parts, tmp_path)
    for indices in sets:
        rest = sum(made[index - 1] for index in indices) - main
        assert peak_dbfs(rest) < NULL_DBFS


def test_a_word_is_covered_from_the_first_sample(make_song: SongMaker, tmp_path: Path) -> None:
    sheet = mixwright.load(make_song({"lead": (np.full(9600, 0.5), "")}))
    word = Cover("lead", Position(seconds=0.0), for_ms=50.0)
    version = versions_of(sheet, Variant("clean", clean=(word,)), make_plan)[0]
    (voice,) = played([PlannedMix(version.plan)], tmp_path)
    assert np.all(voice[:2400] == 0.0)
    assert voice[4000, 0] > 0.3


def test_a_word_is_silent_and_another_sounds_instead(make_song: SongMaker, tmp_path: Path) -> None:
    ones = np.ones(48000)
    tracks = {"lead": (0.5 * ones, ""), "spare": (0.25 * ones, "mute: true")}
    sheet = mixwright.load(make_song(tracks))
    words = (
        Cover("lead", Position(seconds=0.2), for_ms=100.0, instead="spare"),
        Cover("lead", Position(seconds=0.5), for_ms=50.0, level_db=-20.0),
    )
    lead, spare = (
        versions_of(sheet, Variant("clean", clean=words, mute=(other,)), make_plan)[0].plan
        for other in ("spare", "lead")
    )
    voice, other = played([PlannedMix(lead), PlannedMix(spare)], tmp_path)
    whole = voice[0, 0]
    start, end, again, over = (round(s * 48000) for s in (0.2, 0.3, 0.5, 0.55))
    assert np.all(voice[start:end] == 0.0)
    assert voice[again, 0] == pytest.approx(whole * 0.1, rel=1e-9)
    assert voice[over - 1, 0] == pytest.approx(whole * 0.1, rel=1e-9)
    ramp = 960  # of 20 ms: no step is larger than the curve allows
    for at in (0, start - ramp, end + ramp, again - ramp, over + ramp, 47999):
        assert voice[at, 0] == whole
    assert np.all(other[start:end] == other[start])
    assert other[start, 0] == pytest.approx(whole / 2.0)
    assert np.all(other[: start - ramp] == 0.0)
    assert np.all(other[end + ramp :] == 0.0)
