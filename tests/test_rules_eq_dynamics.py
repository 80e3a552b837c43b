"""Rules of EQ and dynamics: what they say of figures made by hand, and of one small song.

`tests/test_rules.py` runs every rule on a whole song; here are the edges of each.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import soundfile
import yaml

import mixwright
from mixwright.checks.dynamics.processors import held_over_s, lasting, runs, spread_lu
from mixwright.checks.eq.bands import clears_lows, cuts, lifts, turns
from mixwright.checks.limits import default_limits
from mixwright.checks.rule import Remark, Result
from mixwright.checks.rules import rule_by_id
from mixwright.dsp.band import BandSettings
from mixwright.dsp.compressor import CompressorSettings
from mixwright.dsp.de_esser import DeEsserSettings
from mixwright.dsp.expander import ExpanderSettings
from mixwright.dsp.inserts import INSERTS
from mixwright.dsp.reduction import GainReduction
from mixwright.measuring.evidence import Evidence, GroupHeard, Levels, TrackHeard
from mixwright.measuring.hearing import gather
from mixwright.meters.bands import third_octaves
from mixwright.meters.loudness import to_mean_square
from mixwright.rendering.parts import Stretch
from mixwright.rendering.reductions import Reduction
from mixwright.rendering.session import Session
from mixwright.sheet import Band, Bus, Compressor, Group, Point, Return, Sheet, Song, Track
from mixwright.sheet.model import BandAutomation, BusAutomation, DeEsser, Gate, Limiter
from mixwright.timeline import Position

RATE_HZ = 48000
END_S = 20.0
HOPS = round(END_S * 10)
THIRDS = third_octaves()
Strip = Track | Group


def tone(lufs: float, hops: int = HOPS) -> Levels:
    """A signal of one loudness."""
    return Levels(np.full(hops, to_mean_square(lufs)))


def changing(*lufs: float) -> Levels:
    """A signal whose loudness changes from second to second, over and over."""
    seconds = np.resize([to_mean_square(level) for level in lufs], round(END_S))
    return Levels(np.repeat(seconds, 10))


def louder(levels: Levels, by_db: float) -> Levels:
    return Levels(levels.hops * 10.0 ** (by_db / 10.0))


def bell(gain_db: float, freq_hz: float = 1000.0, why: str | None = "a reason") -> Band:
    return Band(BandSettings("bell", freq_hz, gain_db, 1.0), why=why)


def high_pass(freq_hz: float, why: str | None = "a reason") -> Band:
    return Band(BandSettings("high_pass", freq_hz), why=why)


def squash(makeup_db: float | None = None, **settings: Any) -> Compressor:
    key = settings.pop("key", None)
    why = settings.pop("why", "a reason")
    return Compressor(CompressorSettings(-20.0, 4.0, **settings), key, makeup_db, why)


def track(name: str, role: str = "other", **settings: Any) -> Track:
    return Track(name, f"{name}.wav", role, **settings)


def spectrum(*low_and_high_hz: tuple[float, float, float]) -> np.ndarray:
    """Third octaves of 24 frames with a level in dB between two frequencies, ``(24, 30)``."""
    bands = np.zeros(len(THIRDS))
    for low_hz, high_hz, level_db in low_and_high_hz:
        inside = [low_hz <= band.midband_hz <= high_hz for band in THIRDS]
        bands[inside] = 10.0 ** (level_db / 10.0)
    return np.tile(bands, (24, 1))


def heard_of(part: Track, **known: Any) -> TrackHeard:
    """A track as it was heard: at -20 LUFS all the way, if nothing else is known."""
    source = known.get("source", tone(-20.0))
    equalised = known.get("equalised", source)
    treated = known.get("treated", equalised)
    bands = known.get("eq_bands", spectrum((200.0, 2000.0, -20.0)))
    placed = known.get("placed", treated)
    ways = (source, source, equalised, treated, placed)
    plan: Any = None
    return TrackHeard(part, plan, *ways, bands, bands)


def evidence(
    *tracks: Track | TrackHeard,
    groups: tuple[GroupHeard, ...] = (),
    reductions: Mapping[str, Reduction] | None = None,
    matches_db: Mapping[str, float] | None = None,
    **sheet: Any,
) -> Evidence:
    """Evidence made by hand of a song of 20 s whose second half is the chorus, and the focus."""
    heard = [one if isinstance(one, TrackHeard) else heard_of(one) for one in tracks]
    stretches = (
        Stretch("verse", 0, 10 * RATE_HZ),
        Stretch("chorus", 10 * RATE_HZ, round(END_S * RATE_HZ)),
    )
    unknown: Any = None
    plan: Any = SimpleNamespace(rate_hz=RATE_HZ, end=round(END_S * RATE_HZ), sections=stretches)
    return Evidence(
        sheet=Sheet(
            Path("mix.yaml"),
            Song("Kelp Clock", RATE_HZ),
            tuple(one.track for one in heard),
            tuple(one.group for one in groups),
            **sheet,
        ),
        plan=plan,
        inspected=unknown,
        focus=stretches[1],
        loudest="chorus",
        balance=unknown,
        mix=unknown,
        mix_gain=1.0,
        silence=unknown,
        tracks={one.name: one for one in heard},
        groups={one.group.name: one for one in groups},
        returns={},
        dry=tone(-20.0),
        wet=tone(-40.0),
        reductions=reductions or {},
        matches_db=matches_db or {},
    )


def said(id: str, heard: Evidence, **limits: float) -> Result:
    rule = rule_by_id(id)
    return rule.check(heard, {key: default_limits()[key] for key in rule.limits} | limits)


def remarks(id: str, heard: Evidence, **limits: float) -> list[tuple[str, str | None]]:
    return [(one.verdict, one.name) for one in said(id, heard, **limits).remarks]


def only(result: Result) -> Remark:
    (remark,) = result.remarks
    return remark


def reduced(mean_db: float, max_db: float, share: float, **by_section: float) -> Reduction:
    sections = {name: GainReduction(0.0, most, most, share) for name, most in by_section.items()}
    return Reduction(0.0, mean_db, max_db, share, by_section=sections)


# ---- bands ----


def test_bands_that_lift_and_bands_that_cut() -> None:
    moving = BandAutomation(gain_db=(Point(Position(bar=2), 3.0), Point(Position(bar=4), -2.0)))
    ridden = replace(bell(0.0), automation=moving)
    assert [lifts(b) for b in (bell(1.0), bell(0.9), bell(-6.0), high_pass(80), ridden)] == [
        *(True, False, False, False, True)
    ]
    assert [cuts(b) for b in (bell(-0.5), bell(0.0), bell(3.0), high_pass(80), ridden)] == [
        *(True, False, False, True, True)
    ]
    assert cuts(Band(BandSettings("notch", 50.0)))


def test_a_high_pass_clears_the_lows_where_the_low_end_is() -> None:
    assert clears_lows(high_pass(40.0), 40.0)
    assert not clears_lows(high_pass(39.0), 40.0)
    assert not clears_lows(Band(BandSettings("low_pass", 400.0)), 40.0)
    assert not clears_lows(Band(BandSettings("high_pass", 120.0, on="side")), 40.0)
    sinks = BandAutomation(freq_hz=(Point(Position(bar=3), 25.0),))
    assert not clears_lows(replace(high_pass(120.0), automation=sinks), 40.0)


def test_a_band_turns_what_its_response_reaches() -> None:
    # A bell of 6 dB has half of it, 3 dB, at the edges of its bandwidth: R. Bristow-Johnson's
    # Audio EQ Cookbook. With a Q of 1 these are 1.39 octaves apart.
    wide = bell(-6.0, 1000.0)
    half_hz = 1000.0 * 2.0 ** (0.5 * 2.0 / math.log(2.0) * math.asinh(0.5))
    assert turns(wide, -2.99, half_hz, 8000.0)
    assert not turns(wide, -3.01, half_hz, 8000.0)
    assert turns(wide, -6.0, 100.0, 10000.0)
    assert not turns(wide, 1.0, 100.0, 10000.0)
    assert turns(bell(1.0), 1.0, 990.0, 1010.0)
    assert not turns(bell(-12.0, 8000.0), -1.0, 200.0, 800.0)
    shelf = Band(BandSettings("low_shelf", 300.0, -3.0))
    assert turns(shelf, -1.0, 50.0, 200.0)
    assert not turns(shelf, -1.0, 1000.0, 4000.0)
    assert not turns(high_pass(300.0), -1.0, 50.0, 200.0)


# ---- level changed ----


def test_an_eq_that_makes_louder_fails_unless_it_is_meant() -> None:
    def change(by_db: float, **settings: Any) -> Evidence:
        part = track("keys", eq=(bell(3.0),), **settings)
        return evidence(heard_of(part, equalised=tone(-20.0 + by_db)))

    assert remarks("eq/level-changed", change(0.09)) == []
    found = only(said("eq/level-changed", change(3.0, level_match=False)))
    assert found.verdict == "fails"
    assert found.measured == pytest.approx(3.0)
    assert found.path == ("tracks", "keys", "level_match")
    meant = change(-3.0, level_match=False, why="sits back")
    assert remarks("eq/level-changed", meant) == [("note", "keys")]
    assert said("eq/level-changed", meant).measured == "greatest change of level -3.00 LU, of keys"
    moving = BandAutomation(gain_db=(Point(Position(bar=2), 9.0),))
    rides = track("keys", eq=(replace(bell(0.0), automation=moving),))
    swept = evidence(heard_of(rides, equalised=tone(-18.0)))
    assert remarks("eq/level-changed", swept) == [("note", "keys")]


def test_a_match_that_lifts_the_noise_floor_changes_no_level() -> None:
    # A second at -30 LUFS, two at -45, then a floor at -71; what the EQ takes, 3 dB, is matched.
    # The floor at -68 passes the absolute gate of BS.1770-5, and the relative gate drops with it.
    def hit_over(floor_lufs: float) -> Levels:
        powers = [to_mean_square(level) for level in (-30.0, -45.0, floor_lufs)]
        return Levels(np.repeat(powers, [10, 20, HOPS - 30]))

    source, matched = hit_over(-71.0), hit_over(-68.0)
    assert abs(matched.integrated_lufs() - source.integrated_lufs()) > 0.3
    part = heard_of(track("tom", eq=(bell(-6.0),)), source=source, equalised=matched)
    assert remarks("eq/level-changed", evidence(part, matches_db={"tom.eq": 3.0})) == []


def test_what_is_not_heard_is_not_judged_but_for_an_eq_that_silences() -> None:
    part = track("take_2", eq=(bell(9.0),), level_match=False, mute=True)
    muted = heard_of(part, equalised=tone(-11.0), placed=tone(-math.inf))
    assert not said("eq/level-changed", evidence(muted)).judged
    silenced = heard_of(track("bass", eq=(high_pass(20000.0),)), equalised=tone(-math.inf))
    found = only(said("eq/level-changed", evidence(silenced)))
    assert found.verdict == "fails"
    assert "nothing" in found.message


# ---- low end ----


def low(level_db: float) -> dict[str, np.ndarray]:
    return {"eq_bands": spectrum((25.0, 80.0, level_db), (100.0, 5000.0, -10.0))}


def test_low_end_beside_kick_and_bass_is_crowding() -> None:
    kick, bass = heard_of(track("k", "kick"), **low(-6.0)), heard_of(track("b", "bass"), **low(-6))

    def crowd(level_db: float, role: str = "piano", **settings: Any) -> list[tuple[str, Any]]:
        other = heard_of(track("piano", role, **settings), **low(level_db))
        return remarks("eq/low-end-crowded", evidence(kick, bass, other))

    # Kick and bass add up to -3 dB, so that -18 dB is 15 dB under them.
    assert crowd(-17.9) == [("look", "piano")]
    assert crowd(-18.1) == []
    assert crowd(-6.0, eq=(high_pass(45.0),)) == []
    assert crowd(-6.0, eq=(high_pass(30.0),)) == [("look", "piano")]
    assert crowd(-6.0, "toms") == []


def test_a_high_pass_of_the_group_counts_and_without_kick_or_bass_nothing_is_judged() -> None:
    bass = heard_of(track("b", "bass"), **low(-6.0))
    piano = heard_of(track("piano", "piano", group="all"), **low(-6.0))
    cleared = GroupHeard(Group("all", eq=(high_pass(80.0),)), tone(-20.0), tone(-20.0))
    assert remarks("eq/low-end-crowded", evidence(bass, piano, groups=(cleared,))) == []
    assert not said("eq/low-end-crowded", evidence(piano)).judged
    still = heard_of(track("b", "bass"), eq_bands=spectrum((200.0, 900.0, -6.0)))
    assert not said("eq/low-end-crowded", evidence(still, piano)).judged


# ---- boosts, reasons, how many ----


def test_an_eq_that_only_boosts_deserves_a_look() -> None:
    parts = [
        track("a", eq=(bell(3.0),)),
        track("b", eq=(bell(3.0), high_pass(80.0))),
        track("c", eq=(bell(0.5),)),
        track("d", eq=(bell(0.0), bell(4.0, 3000.0))),
        track("e"),
    ]
    found = said("eq/boost-without-cut", evidence(*parts))
    assert [(one.verdict, one.path) for one in found.remarks] == [
        ("look", ("tracks", "a", "eq", 0)),
        ("look", ("tracks", "d", "eq", 1)),
    ]
    assert not said("eq/boost-without-cut", evidence(track("e"))).judged


def test_every_band_everywhere_has_a_reason() -> None:
    bare, blank = bell(1.0, why=None), bell(2.0, why=" ")
    group = GroupHeard(Group("band", eq=(bell(1.0), bare)), tone(-20.0), tone(-20.0))
    wet: Any = None
    heard = evidence(
        track("a", eq=(bell(1.0), bare, blank)),
        groups=(group,),
        returns=(Return("hall", wet, eq=(bare,)),),
        mix_bus=Bus(eq=(bare,)),
    )
    found = said("eq/reason-missing", heard)
    assert found.measured == "2 of 7 bands have a reason"
    assert [one.path for one in found.remarks] == [
        ("tracks", "a", "eq", 1),
        ("groups", "band", "eq", 1),
        ("returns", "hall", "eq", 0),
        ("mix_bus", "eq", 0),
    ]
    assert "2 of 3 bands" in found.remarks[0].message
    assert {one.verdict for one in found.remarks} == {"fails"}


def test_tracks_with_an_eq_are_counted_against_those_that_are_heard() -> None:
    muted = heard_of(track("spare", mute=True), placed=tone(-math.inf))
    heard = evidence(track("a", eq=(bell(-1.0),)), track("b"), muted)
    assert remarks("eq/on-most-tracks", heard) == []
    assert only(said("eq/on-most-tracks", heard, eq_tracks_percent=40.0)).measured == 50.0
    assert remarks("eq/on-most-tracks", heard, eq_tracks_percent=50.0) == []


# ---- masking ----

LOUD, SOFT = spectrum((200.0, 2000.0, 0.0)), spectrum((200.0, 2000.0, -15.0))


def masking(below: Track, above: Track, *groups: Group, **known: Any) -> Evidence:
    pair = heard_of(below, eq_bands=SOFT, **known), heard_of(above, eq_bands=LOUD)
    return evidence(*pair, groups=tuple(GroupHeard(g, tone(-20.0), tone(-20.0)) for g in groups))


def test_a_covered_track_deserves_a_look() -> None:
    found = said("eq/masked", masking(track("keys", "keys"), track("guitar", "electric_guitar")))
    remark = only(found)
    assert (remark.verdict, remark.name, remark.section) == ("look", "keys", "chorus")
    assert remark.measured == pytest.approx(100.0, abs=1.0)
    assert found.measured.startswith("most covered is keys, 100 % under guitar")


@pytest.mark.parametrize(
    ("below", "above"),
    [
        (track("kick_out", "kick"), track("room", "drum_room")),
        (track("double", "lead_vocal"), track("choir", "backing_vocal")),
        (track("a", "electric_guitar"), track("b", "electric_guitar")),
        (track("kick_in"), track("kick_out")),
    ],
)
def test_tracks_of_one_source_cover_one_another_without_harm(below: Track, above: Track) -> None:
    assert said("eq/masked", masking(below, above)).remarks == ()


def test_tracks_without_roles_are_still_held_against_one_another() -> None:
    assert remarks("eq/masked", masking(track("keys"), track("wall"))) == [("look", "keys")]


def partly(below: Track, above: Track, *groups: Group) -> list[tuple[str, str | None]]:
    """Remarks where about three quarters of one track lie under another."""
    open_above = spectrum((200.0, 1400.0, -15.0), (3000.0, 4500.0, -15.0))
    pair = heard_of(below, eq_bands=open_above), heard_of(above, eq_bands=LOUD)
    through = tuple(GroupHeard(g, tone(-20.0), tone(-20.0)) for g in groups)
    heard = evidence(*pair, groups=through)
    found = said("eq/masked", heard, masked_percent=60.0)
    assert 60.0 < float(found.remarks[0].measured or 0.0) < 90.0
    return remarks("eq/masked", heard, masked_percent=60.0)


def test_room_that_is_made_is_noted() -> None:
    keys, wall = track("keys", "keys"), track("wall", "synth")
    look, note = [("look", "keys")], [("note", "keys")]
    assert partly(keys, wall) == look
    assert partly(keys, replace(wall, eq=(bell(-1.0, 600.0),))) == note
    assert partly(keys, replace(wall, eq=(bell(-6.0, 9000.0),))) == look
    assert partly(keys, replace(wall, eq=(bell(1.5, 600.0),))) == look
    assert partly(replace(keys, eq=(bell(1.5, 600.0),)), wall) == note
    assert partly(keys, replace(wall, compressor=squash(key="keys"))) == note
    cut = Group("walls", eq=(bell(-2.0, 600.0),))
    assert partly(keys, replace(wall, group="walls"), cut) == note
    both = replace(keys, group="walls"), replace(wall, group="walls")
    assert partly(*both, cut) == look  # the same group turns both down


def test_a_track_that_is_all_covered_deserves_a_look_whatever_was_done() -> None:
    wall = track("wall", "synth", eq=(bell(-1.0, 600.0),))
    remark = only(said("eq/masked", masking(track("keys", "keys"), wall)))
    assert remark.verdict == "look"
    assert "wall is cut there, which is not enough" in remark.message


def test_what_does_not_play_in_the_section_is_covered_by_nothing() -> None:
    keys, wall = track("keys", "keys"), track("wall", "synth")
    half = HOPS // 2
    spill = Levels(np.repeat([to_mean_square(-20.0), to_mean_square(-50.0)], half))
    assert not said("eq/masked", masking(keys, wall, source=spill)).judged
    muted = Levels(np.repeat([to_mean_square(-20.0), 0.0], half))
    assert not said("eq/masked", masking(keys, wall, placed=muted)).judged


def test_many_covered_tracks_make_five_remarks_one_a_track() -> None:
    soft = [heard_of(track(f"t{i}", "keys"), eq_bands=SOFT) for i in range(8)]
    walls = [heard_of(track(f"w{i}", "synth"), eq_bands=LOUD) for i in range(2)]
    names = [one.name for one in said("eq/masked", evidence(*soft, *walls)).remarks]
    assert len(names) == len(set(names)) == 5


# ---- dynamics: shared measures ----


def test_runs_and_lasting_runs() -> None:
    on = np.array([False, True, True, False, True, True, True])
    assert runs(on).tolist() == [[1, 3], [4, 7]]
    assert lasting(on, 3).tolist() == [False] * 4 + [True] * 3
    assert runs(np.zeros(3, bool)).shape == (0, 2)


def test_a_compressor_is_held_over_as_long_as_its_release_takes() -> None:
    # The real thing: a second of noise, three of silence; what is at work after the sound.
    settings = CompressorSettings(-40.0, 8.0, attack_ms=1.0, release_ms=150.0)
    sound = np.random.default_rng(1).standard_normal((4 * RATE_HZ, 1)) * 0.2
    sound[RATE_HZ:] = 0.0
    running = settings.start(RATE_HZ, 1)
    running.process(sound[:RATE_HZ])
    most_db = running.reduction.max_db
    running.forget_readings()
    running.process(sound[RATE_HZ:])
    after_s = running.reduction.active_share * 3.0
    sounds = np.repeat([True, False], [10, 30])
    assert held_over_s(sounds, settings, most_db) == pytest.approx(after_s, rel=0.05)
    # Pauses shorter than that hold it no longer than they last, and no reduction holds nothing.
    hits = np.array([True, False, False, True, True, False, True, True])
    assert held_over_s(hits, settings, most_db) == pytest.approx(0.3)
    assert held_over_s(sounds, settings, 0.05) == 0.0


def test_the_spread_is_that_of_the_percentiles_of_tech_3342() -> None:
    # 20 s each at -20 and -30 LUFS: 10 LU from the 10th to the 95th percentile (Tech 3342, case 1).
    assert spread_lu(np.repeat([-20.0, -30.0], 200)) == pytest.approx(10.0)
    assert spread_lu(np.full(50, -23.0)) == 0.0


# ---- dynamics: rules ----


def test_every_processor_has_a_reason() -> None:
    ess, gate = DeEsser(DeEsserSettings(-30.0)), Gate(ExpanderSettings(-40.0))
    heard = evidence(
        track("a", compressor=squash(why=None), de_esser=ess, gate=gate),
        track("b", compressor=squash()),
        groups=(GroupHeard(Group("g", compressor=squash(why="")), tone(-20.0), tone(-20.0)),),
        mix_bus=Bus(compressor=squash(why=None), limiter=Limiter(None)),  # type: ignore[arg-type]
    )
    found = said("dynamics/reason-missing", heard)
    assert [one.path for one in found.remarks] == [
        *(("tracks", "a", part) for part in ("gate", "compressor", "de_esser")),
        ("groups", "g", "compressor"),
        ("mix_bus", "compressor"),
        ("mix_bus", "limiter"),
    ]
    assert "the de-esser of a" in found.remarks[2].message
    assert "the compressor of the mix bus" in found.remarks[4].message
    assert not said("dynamics/reason-missing", evidence(track("a"))).judged


def test_a_compressor_that_never_works_deserves_a_look() -> None:
    def with_most(max_db: float, **known: Any) -> list[tuple[str, str | None]]:
        part = heard_of(track("bass", compressor=squash()), **known)
        reductions = {"bass.compressor": reduced(max_db, max_db, 0.5)}
        return remarks("dynamics/never-works", evidence(part, reductions=reductions))

    assert with_most(0.49) == [("look", "bass")]
    assert with_most(0.5) == []
    assert with_most(0.0, placed=tone(-math.inf)) == []


def test_a_gate_that_stays_open_deserves_a_look() -> None:
    # Four seconds of silence, then sound: a gate is closed until then and reduces by its range.
    late = Levels(np.where(np.arange(HOPS) < 40, 0.0, to_mean_square(-20.0)))
    part = heard_of(track("snare", gate=Gate(ExpanderSettings(-40.0))), source=late)

    def closed_for(seconds: float) -> list[tuple[str, str | None]]:
        reductions = {"snare.gate": reduced(40.0, 40.0, seconds / END_S)}
        return remarks("dynamics/never-works", evidence(part, reductions=reductions))

    assert closed_for(4.1) == [("look", "snare")]
    assert closed_for(6.0) == []


def test_a_compressor_that_never_lets_go_deserves_a_look() -> None:
    def at_work(
        share: float, mean_db: float = 8.0, source: Levels | None = None, **settings: Any
    ) -> list[tuple[str, str | None]]:
        known = {} if source is None else {"source": source}
        part = heard_of(track("bass", compressor=squash(**settings)), **known)
        reductions = {"bass.compressor": reduced(mean_db, 9.0, share)}
        return remarks("dynamics/always-works", evidence(part, reductions=reductions))

    assert at_work(0.99) == [("look", "bass")]
    assert at_work(0.97) == []
    assert at_work(0.99, mean_db=2.0) == []
    assert at_work(0.99, mix_percent=50.0) == []
    assert at_work(0.99, key="kick") == []
    # It sounds for half of the time: at work for all of that, and then for its release.
    half = Levels(np.where(np.arange(HOPS) % 20 < 10, to_mean_square(-20.0), 0.0))
    assert at_work(0.5 + 0.24, source=half) == [("look", "bass")]
    assert at_work(0.5, source=half) == []


def test_too_much_reduction_names_the_section() -> None:
    reductions = {"v.compressor": reduced(6.0, 12.5, 0.7, verse=7.0, chorus=12.5)}
    remark = only(
        said("dynamics/too-much", evidence(track("v", compressor=squash()), reductions=reductions))
    )
    assert (remark.verdict, remark.section, remark.measured) == (
        *("look", "chorus"),
        pytest.approx(12.5),
    )
    # Half of it mixed to the untouched sound turns the sum down by 20 lg(2 / (1 + 10^(-12.5/20))).
    parallel = evidence(track("v", compressor=squash(mix_percent=50.0)), reductions=reductions)
    found = said("dynamics/too-much", parallel)
    assert found.remarks == ()
    assert f"{20.0 * math.log10(2.0 / (1.0 + 10.0 ** (-12.5 / 20.0))):.1f} dB" in found.measured


def test_a_track_that_comes_out_more_uneven_deserves_a_look() -> None:
    source, uneven = changing(-20.0, -20.0, -24.0), changing(-20.0, -20.0, -26.0)
    even = changing(-20.0, -20.0, -21.0)
    working = {"v.compressor": reduced(4.0, 8.0, 0.7)}

    def spread(after: Levels, **settings: Any) -> Result:
        part = track("v", **({"compressor": squash()} | settings))
        heard = evidence(heard_of(part, source=source, treated=after), reductions=working)
        return said("dynamics/spread-grown", heard)

    assert only(spread(uneven)).measured == pytest.approx(2.0, abs=0.01)
    assert spread(even).measured == "v evened out most, 3.0 LU less spread"
    assert spread(louder(source, 6.0)).remarks == ()
    assert not spread(uneven, gate=Gate(ExpanderSettings(-40.0))).judged
    assert not spread(uneven, compressor=squash(key="kick")).judged


def test_single_hits_and_ridden_groups_have_no_spread_to_judge() -> None:
    working = {"v.compressor": reduced(4.0, 8.0, 0.7)}
    hits = Levels(np.where(np.arange(HOPS) % 5 == 0, to_mean_square(-20.0), 0.0))
    odd = Levels(hits.hops * np.where(np.arange(HOPS) % 10 == 0, 0.01, 1.0))
    part = heard_of(track("v", compressor=squash()), source=hits, treated=odd)
    assert not said("dynamics/spread-grown", evidence(part, reductions=working)).judged
    rides = BusAutomation(gain_db=(Point(Position(bar=2), 6.0),))
    group = Group("v", compressor=squash(), automation=rides)
    heard = GroupHeard(group, changing(-20.0, -22.0), changing(-20.0, -28.0))
    assert not said("dynamics/spread-grown", evidence(groups=(heard,), reductions=working)).judged


def test_a_makeup_that_is_off_names_the_one_that_would_match() -> None:
    working = {"v.compressor": reduced(4.0, 8.0, 0.7)}

    def made_up(after_lufs: float, makeup_db: float | None, **settings: Any) -> Result:
        part = track("v", compressor=squash(makeup_db), **settings)
        heard = heard_of(part, treated=tone(after_lufs))
        return said("dynamics/makeup-off", evidence(heard, reductions=working))

    found = only(made_up(-16.5, 6.0))
    assert (found.verdict, found.path) == ("look", ("tracks", "v", "compressor", "makeup_db"))
    assert found.measured == pytest.approx(3.5)
    assert found.help == "set makeup_db to 2.5, or to matched"
    assert made_up(-20.9, 6.0).remarks == ()
    assert only(made_up(-23.0, None)).verdict == "look"
    # Quieter, but something else may be why; louder can't be a de-esser's doing.
    softer = {"de_esser": DeEsser(DeEsserSettings(-30.0))}
    assert only(made_up(-23.0, 2.0, **softer)).verdict == "note"
    assert only(made_up(-17.0, 6.0, **softer)).verdict == "look"
    shaped = {"inserts": (INSERT,), "level_match": False}
    assert only(made_up(-17.0, 6.0, **shaped)).verdict == "note"


INSERT: Any = SimpleNamespace(settings=INSERTS["saturation"](), why="warm")


def test_the_makeup_of_a_group_is_told_from_its_fader_and_only_where_it_can_be() -> None:
    working = {"g.compressor": reduced(4.0, 8.0, 0.7)}

    def group(after_lufs: float, **settings: Any) -> Result:
        part = Group("g", compressor=squash(4.0), **settings)
        heard = GroupHeard(part, tone(-20.0), tone(after_lufs))
        return said("dynamics/makeup-off", evidence(groups=(heard,), reductions=working))

    assert group(-26.0, gain_db=-6.0).remarks == ()
    assert only(group(-20.0, gain_db=-6.0)).measured == pytest.approx(6.0)
    assert not group(-14.0, eq=(bell(6.0),)).judged
    assert not group(-14.0, width_percent=150.0).judged
    assert not group(-math.inf, gain_db=-math.inf).judged


# ---- on a small song ----

SMALL_SONG = """
format: 1
song: {title: Kelp Clock, artist: Gravel Pier, sample_rate_hz: 48000}
tracks:
  kick: {file: kick.wav, role: kick, gain_db: -6}
  rumble:
    file: rumble.wav
    role: pad
    gain_db: -6
    eq: [{type: bell, freq_hz: 60, gain_db: 4, q: 1, why: weight}]
    level_match: false
  keys: {file: keys.wav, role: keys, gain_db: -30}
  wall:
    file: wall.wav
    role: synth
    eq: [{type: bell, freq_hz: 6000, gain_db: -2, q: 2}]
  voice:
    file: voice.wav
    role: lead_vocal
    compressor: {threshold_db: -45, ratio: 8, makeup_db: 0, why: near}
    gate: {threshold_db: -80, ratio: 2}
"""


@pytest.fixture(scope="module")
def small_song(tmp_path_factory: pytest.TempPathFactory) -> Evidence:
    """A song of 4 s of noises with something wrong with most of them."""
    folder = tmp_path_factory.mktemp("small")
    rng = np.random.default_rng(4)
    frames = 4 * RATE_HZ
    at_s = np.arange(frames) / RATE_HZ
    hits = np.exp(-np.mod(at_s, 0.5) / 0.1) * np.sin(2.0 * np.pi * 60.0 * at_s)
    drone = 0.2 * np.sin(2.0 * np.pi * 55.0 * at_s) + 0.02 * rng.standard_normal(frames)
    sounds = {
        "kick": 0.3 * hits,
        "rumble": drone,
        "keys": 0.05 * rng.standard_normal(frames),
        "wall": 0.05 * rng.standard_normal(frames),
        "voice": 0.1 * rng.standard_normal(frames),
    }
    for name, sound in sounds.items():
        soundfile.write(folder / f"{name}.wav", sound, RATE_HZ, subtype="FLOAT")
    path = folder / "mix.yaml"
    path.write_text(SMALL_SONG, "utf-8")
    assert yaml.safe_load(SMALL_SONG)["tracks"].keys() == sounds.keys()
    sheet = mixwright.load(path)
    return gather(
        sheet, mixwright.plan(sheet, through="bus"), mixwright.plan(sheet), Session(threads=1)
    )


@pytest.mark.parametrize(
    ("id", "expected"),
    [
        ("eq/level-changed", [("fails", "rumble")]),
        ("eq/low-end-crowded", [("look", "rumble")]),
        ("eq/boost-without-cut", [("look", "rumble")]),
        ("eq/reason-missing", [("fails", "wall")]),
        ("eq/on-most-tracks", []),
        ("dynamics/reason-missing", [("fails", "voice")]),
        ("dynamics/never-works", [("look", "voice")]),
        ("dynamics/always-works", [("look", "voice")]),
        ("dynamics/too-much", [("look", "voice")]),
        ("dynamics/makeup-off", [("note", "voice")]),
    ],
)
def test_what_is_wrong_with_a_small_song_is_found(
    small_song: Evidence, id: str, expected: list[tuple[str, str]]
) -> None:
    assert remarks(id, small_song) == expected


def test_keys_far_under_a_wall_of_the_same_noise_are_covered(small_song: Evidence) -> None:
    found = {one.name: one for one in said("eq/masked", small_song).remarks}
    assert found["keys"].verdict == "look"
    assert (found["keys"].measured or 0.0) > 95.0
    assert "wall" not in found or found["wall"].measured != found["keys"].measured
