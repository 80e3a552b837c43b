"""The logic of the rules of effects and automation, on evidence made by hand.

Twenty seconds at 120 bpm: verse to 8 s, chorus to 16 s, outro. A lead voice and keys, each at
-20 LUFS, in a group each; what a test needs to differ, it says. That the rules hear what is there
is tested with real sound elsewhere.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, cast

import numpy as np
import pytest
import soundfile
import yaml
from numpy.typing import NDArray

from mixwright.checks import Result, Rule
from mixwright.checks.automation.jump import jump
from mixwright.checks.automation.phrase_buried import phrase_buried
from mixwright.checks.automation.track_vanishes import track_vanishes
from mixwright.checks.effects.decay_long import decay_long
from mixwright.checks.effects.low_end_in_return import low_end_in_return
from mixwright.checks.effects.slap_beyond_the_voice import slap_beyond_the_voice
from mixwright.checks.effects.too_wet import too_wet
from mixwright.checks.effects.track_too_wet import track_too_wet
from mixwright.checks.effects.voice_masked_by_its_effect import voice_masked_by_its_effect
from mixwright.checks.limits import limits_of
from mixwright.measuring.evidence import (
    Evidence,
    GroupHeard,
    Levels,
    ReturnHeard,
    TrackHeard,
    VoiceHeard,
)
from mixwright.meters.bands import nominal_third_octaves
from mixwright.meters.loudness import to_mean_square
from mixwright.meters.speech import BAND_IMPORTANCE
from mixwright.rendering.parts import Stretch
from mixwright.rendering.plan import make_plan
from mixwright.sheet import load_sheet

HOPS, HOP_S, FRAMES_PER_S, BANDS = 200, 0.1, 24, 30
SONG: dict[str, Any] = {
    "format": 1,
    "song": {
        "title": "Rope Walk",
        "sample_rate_hz": 48000,
        "tempo": [{"bar": 1, "bpm": 120, "beats_per_bar": 4}],
        "sections": [
            {"name": "verse", "bar": 1},
            {"name": "chorus", "bar": 5},
            {"name": "outro", "bar": 9},
        ],
        "end": {"s": 20},
    },
    "tracks": {
        "lead": {"file": "lead.wav", "role": "lead_vocal", "group": "voices", "gain_db": -4},
        "keys": {"file": "keys.wav", "role": "keys", "group": "band"},
    },
    "groups": {"voices": {"gain_db": 0}, "band": {"gain_db": -3}},
    "returns": {
        "hall": {"type": "reverb", "decay_s": 2, "high_pass_hz": 200},
        "slap": {"type": "delay", "time_ms": 95, "high_pass_hz": 200},
    },
    "mix_bus": {"gain_db": 0},
}
Make = Callable[..., Evidence]


def merged(under: Mapping[str, Any], over: Mapping[str, Any]) -> dict[str, Any]:
    found = copy.deepcopy(dict(under))
    for key, value in over.items():
        nested = isinstance(value, Mapping) and isinstance(found.get(key), dict)
        found[key] = merged(found[key], value) if nested else value
    return {key: value for key, value in found.items() if value is not None}


def steady(lufs: float = -20.0, *but: tuple[float, float, float]) -> Levels:
    """A level throughout but from a second to another, where it is that of the third number."""
    hops = np.full(HOPS, to_mean_square(lufs))
    for start_s, end_s, other_lufs in but:
        hops[round(start_s / HOP_S) : round(end_s / HOP_S)] = to_mean_square(other_lufs)
    return Levels(hops)


def louder(levels: Levels, by_db: float) -> Levels:
    return Levels(levels.hops * 10.0 ** (by_db / 10.0))


@pytest.fixture
def make(tmp_path: Path) -> Make:
    """Make evidence of the song with changes, and with fields that a test heard otherwise."""
    for name in ("lead", "keys", "pads"):
        soundfile.write(tmp_path / f"{name}.wav", np.zeros((4800, 1)), 48000)

    def made(changes: Mapping[str, Any] | None = None, **heard: Any) -> Evidence:
        sends = {"tracks": {"lead": {"sends_db": {"hall": -10, "slap": -10}}}}
        path = tmp_path / "mix.yaml"
        path.write_text(yaml.safe_dump(merged(merged(SONG, sends), changes or {})), "utf-8")
        sheet = load_sheet(path)
        plan = make_plan(sheet)
        steps = {"source": steady(), "equalised": steady(), "treated": steady()}
        silent = np.zeros((1, BANDS))
        tracks = {}
        for track, drawn in zip(sheet.tracks, plan.tracks, strict=True):
            placed = {"balance": louder(steady(), track.gain_db)}
            placed["placed"] = placed["balance"]
            own = steps | placed | heard.get("tracks", {}).get(track.name, {})
            tracks[track.name] = TrackHeard(
                track, drawn, balance_bands=silent, eq_bands=silent, **own
            )
        groups = {}
        for group in sheet.groups:
            before, after = heard.get("groups", {}).get(
                group.name, (steady(), louder(steady(), group.gain_db))
            )
            groups[group.name] = GroupHeard(group, before, after)
        parts = {part.name: part for part in sheet.returns}
        flat = np.ones((8 * FRAMES_PER_S, BANDS))
        returns = {}
        for one in plan.returns:
            sent = {t.name: steady(-30) for t in plan.tracks if one.name in dict(t.sends)}
            own = {"wet": steady(-40), "sent": sent, "bands": flat}
            own |= heard.get("returns", {}).get(one.name, {})
            returns[one.name] = ReturnHeard(parts[one.name], **own)
        rest = {"dry": steady(), "wet": steady(-40), "voice": None}
        rest |= {key: heard[key] for key in rest if key in heard}
        chorus = next((s for s in plan.sections if s.name == "chorus"), Stretch("", 0, plan.end))
        nobody = cast(Any, None)  # what these rules don't ask for
        return Evidence(
            sheet, plan, nobody, chorus, None, nobody, nobody, 1.0, nobody,
            tracks, groups, returns, rest["dry"], rest["wet"], {}, {}, voice=rest["voice"],
        )  # fmt: skip

    return made


def run(rule: Rule, heard: Evidence) -> Result:
    limits = limits_of(heard.sheet)
    result = rule.check(heard, {key: limits[key] for key in rule.limits})
    for remark in result.remarks:
        assert remark.measured is None or math.isfinite(remark.measured)
        assert heard.sheet.span_of(*remark.path) is not None
    return result


def said(result: Result) -> list[tuple[str, str | None, str | None]]:
    """Verdict, name and section of each remark."""
    return [(one.verdict, one.name, one.section) for one in result.remarks]


# ---- effects ----


def test_the_song_is_judged_against_its_dry_mix(make: Make) -> None:
    holds = run(too_wet, make(wet=steady(-28.5)))
    assert (holds.remarks, holds.measured) == ((), "wet to dry -8.5 LU, most -8.5 LU in verse")
    fails = run(too_wet, make(wet=steady(-27.0)))
    assert said(fails) == [("fails", None, None)]
    assert fails.remarks[0].measured == pytest.approx(-7.0)
    assert not run(too_wet, make(wet=Levels(np.zeros(HOPS)))).judged
    assert not run(too_wet, make(dry=Levels(np.zeros(HOPS)))).judged


def test_a_section_stands_out_where_it_is_3_lu_wetter(make: Make) -> None:
    # The verse is at -4.5 LU and then at -5.5, the whole song at -8.4 and -9.4 by its energy.
    limit = {"limits": {"wet_to_dry_lu": -8}}
    stands_out = run(too_wet, make(limit, wet=steady(-40, (0, 8, -24.5))))
    assert said(stands_out) == [("look", None, "verse")]
    assert stands_out.remarks[0].at_s == 0.0
    assert run(too_wet, make(limit, wet=steady(-40, (0, 8, -25.5)))).remarks == ()


def test_a_throw_now_and_then_makes_no_wet_song(make: Make) -> None:
    # Two seconds of twenty at -5 LU are -15 LU of the song.
    result = run(too_wet, make(wet=steady(-120, (14, 16, -25))))
    assert (result.remarks, result.measured[:22]) == ((), "wet to dry -15.0 LU, m")


def test_a_pause_that_only_rings_is_no_wet_section(make: Make) -> None:
    ringing = {"dry": steady(-20, (16, 20, -60)), "wet": steady(-40)}
    assert run(too_wet, make(**ringing)).remarks == ()
    assert "outro" not in run(too_wet, make(**ringing)).measured


def test_a_track_has_its_share_of_a_return(make: Make) -> None:
    # Lead sends four times the energy of the keys: -23.0 and -29.0 LUFS of -22.0 are theirs.
    sends = {"tracks": {"keys": {"sends_db": {"hall": -10}}}}
    sent = {"lead": steady(-20), "keys": steady(-20 - 10 * math.log10(4))}
    hall = {"hall": {"wet": steady(-22), "sent": sent}, "slap": {"wet": Levels(np.zeros(HOPS))}}
    result = run(track_too_wet, make(sends, returns=hall, groups={"band": (steady(), steady())}))
    assert said(result) == [("look", "lead", None)]
    # The fader of the lead is at -4 dB: placed at -24 LUFS.
    assert result.remarks[0].measured == pytest.approx(-22 + 10 * math.log10(0.8) + 24)
    assert result.remarks[0].path == ("tracks", "lead", "sends_db", "hall")
    # A fifth of -22 LUFS is -9.0 LU against -20: below the limit, unless the group is turned down.
    assert "lead" in result.measured
    down = make(sends, returns=hall, groups={"band": (steady(), steady(-27))})
    assert ("look", "keys", None) in said(run(track_too_wet, down))
    nothing = {"tracks": {"lead": {"sends_db": {"hall": "off", "slap": "off"}}}}
    assert not run(track_too_wet, make(nothing)).judged


@pytest.mark.parametrize(
    ("hall", "measured_hz"),
    [
        ({"high_pass_hz": None}, None),
        ({"high_pass_hz": 60}, 60),
        ({"high_pass_hz": 80}, "holds"),
        ({"high_pass_hz": None, "eq": [{"type": "high_pass", "freq_hz": 100}]}, "holds"),
        ({"high_pass_hz": 40, "eq": [{"type": "high_pass", "freq_hz": 70}]}, 70),
        ({"high_pass_hz": None, "eq": [{"type": "low_pass", "freq_hz": 5000}]}, None),
        ({"high_pass_hz": None, "eq": [{"type": "high_pass", "freq_hz": 100, "on": "side"}]}, None),
        (
            {"high_pass_hz": None, "eq": [{
                "type": "high_pass", "freq_hz": 100,
                "automation": {"freq_hz": [{"section": "chorus", "value": 45}]},
            }]},
            45,
        ),
    ],
)  # fmt: skip
def test_a_return_needs_a_high_pass(make: Make, hall: dict[str, Any], measured_hz: Any) -> None:
    result = run(low_end_in_return, make({"returns": {"hall": hall}}))
    if measured_hz == "holds":
        assert result.remarks == ()
    else:
        assert said(result) == [("look", "hall", None)]
        assert result.remarks[0].measured == measured_hz


def test_a_return_that_gets_no_lows_is_only_noted(make: Make) -> None:
    # Lows: the five thirds from 25 to 63 Hz; the rest holds 25 of equal power.
    bands = np.ones((10, BANDS))
    for under_db, verdict in ((-39.0, "look"), (-41.0, "note")):
        bands[:, :5] = 10.0 ** (under_db / 10.0) * 25.0 / 5.0
        heard = {"returns": {"hall": {"bands": bands.copy()}}}
        result = run(
            low_end_in_return, make({"returns": {"hall": {"high_pass_hz": None}}}, **heard)
        )
        assert said(result) == [(verdict, "hall", None)]
        assert f"{under_db:.0f} dB" in result.remarks[0].message
    quiet = {"hall": {"bands": np.zeros((10, BANDS))}}  # silent in the chorus, not elsewhere
    result = run(
        low_end_in_return, make({"returns": {"hall": {"high_pass_hz": None}}}, returns=quiet)
    )
    assert said(result) == [("look", "hall", None)]


@pytest.mark.parametrize(
    ("decay_s", "tempo", "bars"),
    [
        (4.0, [(1, 120, 4)], None),
        (4.2, [(1, 120, 4)], 2.1),
        (4.2, [(1, 120, 3)], 2.8),
        (4.2, [(1, 60, 4)], None),
        (4.2, [(1, 200, 4), (3, 60, 4)], None),  # 2.4 s at 200 bpm, the rest at 60
        (4.2, [(1, 60, 4), (3, 200, 4)], 3.5),  # 8 s at 60 bpm, 12 at 200
    ],
)
def test_decay_is_counted_in_bars_of_the_main_tempo(
    make: Make, decay_s: float, tempo: list[tuple[int, int, int]], bars: float | None
) -> None:
    said_tempo = [{"bar": bar, "bpm": bpm, "beats_per_bar": beats} for bar, bpm, beats in tempo]
    changes = {
        "song": {"tempo": said_tempo, "sections": None},
        "returns": {"hall": {"decay_s": decay_s}},
    }
    result = run(decay_long, make(changes))
    assert [one.measured for one in result.remarks] == (
        [] if bars is None else [pytest.approx(bars)]
    )


@pytest.mark.parametrize(
    ("slap", "role", "noted"),
    [
        ({}, "keys", True),
        ({}, "lead_vocal", False),
        ({}, None, False),  # no role given: it may be a double of the voice
        ({"time_ms": 200}, "keys", False),
        ({"feedback_db": -6}, "keys", False),
        ({"feedback_db": -18}, "keys", True),
        ({"time_ms": None, "note": "1/32"}, "keys", True),  # 62.5 ms at 120 bpm
        ({"time_ms": None, "note": "1/8"}, "keys", False),  # 250 ms
    ],
)
def test_a_slap_is_for_the_voice(
    make: Make, slap: dict[str, Any], role: str | None, noted: bool
) -> None:
    keys = {"role": role, "sends_db": {"slap": -10}}
    result = run(slap_beyond_the_voice, make({"tracks": {"keys": keys}, "returns": {"slap": slap}}))
    assert said(result) == ([("note", "slap", None)] if noted else [])


def test_a_slap_is_nobodys_without_a_voice(make: Make) -> None:
    heard = make({"tracks": {"lead": {"role": None}, "keys": {"sends_db": {"slap": -10}}}})
    assert not run(slap_beyond_the_voice, heard).judged


def voice_of(
    sings_s: Sequence[tuple[float, float]], voice_db: float = 0.0, rest_db: float = 0.0
) -> VoiceHeard:
    """A voice with the same power in every band while it sings, over a steady rest."""
    count = round(HOPS * HOP_S * FRAMES_PER_S)
    times = np.arange(count) / FRAMES_PER_S
    power = np.zeros(count)
    levels = [(start_s, end_s, -20.0) for start_s, end_s in sings_s]
    for start_s, end_s in sings_s:
        power[(times >= start_s) & (times < end_s)] = 10.0 ** (voice_db / 10.0)
    voice = np.tile(power[:, None], (1, BANDS))
    rest = np.full((count, BANDS), 10.0 ** (rest_db / 10.0))
    return VoiceHeard(("lead",), voice, rest, 1.0 / FRAMES_PER_S, steady(-90, *levels))


def wet_hall(bands: NDArray[np.float64], **sent: Levels) -> dict[str, Any]:
    silent = {"wet": Levels(np.zeros(HOPS)), "sent": {}, "bands": np.zeros_like(bands)}
    return {"hall": {"bands": bands, "sent": {"lead": steady(-30), **sent}}, "slap": silent}


def test_the_voice_is_held_against_its_own_effects_while_it_sings(make: Make) -> None:
    voice = voice_of([(9, 11), (13, 15)])
    bands = np.full((8 * FRAMES_PER_S, BANDS), 0.1)
    bands[4 * FRAMES_PER_S - 12 : 4 * FRAMES_PER_S + 12] = 100.0  # 11.5 to 12.5 s: a pause
    holds = run(voice_masked_by_its_effect, make(voice=voice, returns=wet_hall(bands)))
    assert (holds.remarks, holds.measured) == ((), "lead voice 10.0 dB over its effects in chorus")
    # Half of what is sent is somebody else's.
    shared = wet_hall(bands, keys=steady(-30))
    result = run(voice_masked_by_its_effect, make(voice=voice, returns=shared))
    assert "13.0 dB" in result.measured
    wet = run(voice_masked_by_its_effect, make(voice=voice, returns=wet_hall(4.0 * bands)))
    assert said(wet) == [("look", "lead", "chorus")]
    assert wet.remarks[0].measured == pytest.approx(10.0 - 10.0 * math.log10(4.0))


def test_bands_of_its_effect_count_by_their_importance_for_speech(make: Make) -> None:
    # ANSI S3.5-1997, Table 3: 1 kHz carries 0.0818. A band counts 40 dB at most.
    voice = voice_of([(9, 15)])
    bands = np.full((8 * FRAMES_PER_S, BANDS), 0.1)
    bands[:, nominal_third_octaves().index(1000.0)] = 1e-9
    result = run(voice_masked_by_its_effect, make(voice=voice, returns=wet_hall(bands)))
    expected_db = 10.0 + 0.0818 * 30.0
    assert dict(BAND_IMPORTANCE)[1000] == 0.0818
    assert f"{expected_db:.1f} dB" in result.measured


def test_there_is_nothing_to_mask_without_voice_or_wet_sound(make: Make) -> None:
    bands = np.ones((8 * FRAMES_PER_S, BANDS))
    assert not run(voice_masked_by_its_effect, make(returns=wet_hall(bands))).judged
    elsewhere = make(voice=voice_of([(1, 4)]), returns=wet_hall(bands))
    assert not run(voice_masked_by_its_effect, elsewhere).judged
    dry = make(voice=voice_of([(9, 15)]), returns=wet_hall(0.0 * bands))
    assert not run(voice_masked_by_its_effect, dry).judged


# ---- automation ----


@pytest.mark.parametrize("under_db", [0.0, 6.0, 12.0])
def test_a_phrase_is_heard_by_its_level_over_the_rest(make: Make, under_db: float) -> None:
    # ANSI S3.5-1997: (E - D + 15) / 30 of it, alike in all bands.
    share = (15.0 - under_db) / 30.0
    result = run(phrase_buried, make(voice=voice_of([(1, 3), (9, 11)], -under_db)))
    assert result.measured.startswith(f"2 phrases, least {100 * share:.0f} % heard at 0:0")
    limit = limits_of(make().sheet)["phrase_heard_percent"] / 100.0
    assert len(result.remarks) == (0 if share >= limit else 2)
    for remark in result.remarks:
        assert remark.measured == pytest.approx(100.0 * share)
        assert f"lacks {30.0 * (limit - share):.1f} dB" in remark.message


def test_only_the_phrase_that_is_buried_is_told(make: Make) -> None:
    voice = voice_of([(1, 3), (5, 7), (9, 11)])
    voice.rest[5 * FRAMES_PER_S - 12 : 7 * FRAMES_PER_S + 12] *= 10.0**1.2
    result = run(phrase_buried, make(voice=voice))
    assert said(result) == [("fails", "lead", "verse")]
    assert result.remarks[0].at_s == pytest.approx(5.0, abs=0.2)


def test_a_stretch_longer_than_a_breath_is_judged_in_parts(make: Make) -> None:
    voice = voice_of([(1, 15)])
    softest = voice.levels.hops.copy()
    softest[80] /= 2.0  # where one line ends and the next begins
    voice = replace(voice, levels=Levels(softest))
    voice.rest[10 * FRAMES_PER_S :] *= 10.0**1.2
    result = run(phrase_buried, make(voice=voice))
    assert result.measured.startswith("4 phrases")
    assert {one.section for one in result.remarks} == {"chorus"}
    assert all(one.at_s is not None and one.at_s > 8.0 for one in result.remarks)


def test_twenty_phrases_are_told_in_the_order_of_the_song(make: Make) -> None:
    sings_s = [(0.8 * index, 0.8 * index + 0.4) for index in range(24)]
    voice = voice_of(sings_s, -12.0)
    voice.rest[: round(2.2 * FRAMES_PER_S)] /= 2.0  # the first three are not the worst
    voice.rest[round(18.2 * FRAMES_PER_S) :] /= 1e6  # and the last is heard
    result = run(phrase_buried, make(voice=voice))
    times_s = [one.at_s for one in result.remarks if one.at_s is not None]
    assert result.measured.startswith("24 phrases")
    assert len(times_s) == 20
    assert times_s == sorted(times_s)
    assert times_s[0] == pytest.approx(2.4, abs=0.1)


def test_where_no_phrase_is_heard_it_is_told_once(make: Make) -> None:
    voice = voice_of([(2.0 * index, 2.0 * index + 1.2) for index in range(8)], -12.0)
    (remark,) = run(phrase_buried, make(voice=voice)).remarks
    assert remark.message.startswith("none of 8 phrases is heard by 35 %")
    assert remark.path[-1] == "gain_db"


def test_a_silent_or_missing_voice_has_no_phrases(make: Make) -> None:
    assert not run(phrase_buried, make()).judged
    silent = replace(voice_of([]), levels=Levels(np.zeros(HOPS)))
    assert not run(phrase_buried, make(voice=silent)).judged


PAUSE = steady(-20, (9.5, 10.0, -80))  # before bar 6, which begins at 10 s


@pytest.mark.parametrize(
    ("point", "track", "step_db"),
    [
        ({"bar": 6, "value": -9}, {}, 9.0),
        ({"bar": 6, "value": 6}, {}, None),  # as much as may be
        ({"bar": 6, "value": -9, "over_beats": 0.5}, {}, None),
        ({"bar": 6, "value": -9, "over_ms": 10}, {}, None),
        ({"bar": 6, "value": -9, "over_ms": 5}, {}, 9.0),
        ({"bar": 6, "value": -9, "over_beats": 2, "shape": "hold"}, {}, None),
        ({"bar": 1, "value": -9}, {}, None),  # the song begins so
        ({"bar": 6, "value": -9}, {"treated": PAUSE}, None),  # onto the first note
        ({"bar": 6, "value": -9}, {"treated": steady(-90, (0, 5, -20))}, None),
        ({"bar": 6, "value": -9}, {"placed": steady(-90, (0, 5, -20))}, None),  # muted there
        ({"bar": 6, "value": -9}, {"placed": Levels(np.zeros(HOPS))}, None),
        ({"bar": 6, "value": "off"}, {}, 60.0),
        ({"bar": 6, "value": -100}, {}, 60.0),  # as good as off
    ],
)
def test_a_jump_is_a_step_that_is_heard(
    make: Make, point: dict[str, Any], track: dict[str, Levels], step_db: float | None
) -> None:
    changes = {"tracks": {"keys": {"automation": {"gain_db": [point]}}}}
    result = run(jump, make(changes, tracks={"keys": track}))
    if step_db is None:
        assert result.remarks == ()
    else:
        assert said(result) == [("look", "keys", "chorus")]
        remark = result.remarks[0]
        assert (remark.measured, remark.at_s) == (pytest.approx(step_db), 10.0)
        assert remark.path == ("tracks", "keys", "automation", "gain_db", 0)


BELL_THAT_JUMPS = {
    "type": "bell",
    "freq_hz": 900,
    "gain_db": 0,
    "automation": {"gain_db": [{"s": 2, "value": 2}, {"s": 10, "value": 9}]},
}


def send_ride(track: str, to: str, value: float | str) -> dict[str, Any]:
    ride = {f"sends_db.{to}": [{"s": 10, "value": value}]}
    return {"tracks": {track: {"automation": ride}}}


def test_a_jump_sets_out_from_where_the_level_is(make: Make) -> None:
    # At 10 s the move from 0 to -8 dB over four seconds is half done.
    points = [{"s": 8, "value": -8, "over_ms": 4000}, {"s": 10, "value": 3}]
    result = run(jump, make({"tracks": {"keys": {"automation": {"gain_db": points}}}}))
    assert [one.measured for one in result.remarks] == [pytest.approx(7.0, abs=1e-3)]
    assert "from -4 to 3 dB" in result.remarks[0].message


@pytest.mark.parametrize(
    ("where", "name", "step_db"),
    [
        (send_ride("lead", "hall", -2), "lead", 8),
        # A throw into an echo, and its end.
        (send_ride("lead", "slap", "off"), "", 0),
        (send_ride("keys", "slap", -6), "", 0),
        ({"tracks": {"keys": {"eq": [BELL_THAT_JUMPS]}}}, "keys", 7),
        ({"groups": {"band": {"automation": {"gain_db": [{"s": 10, "value": 7}]}}}}, "band", 7),
        ({"returns": {"hall": {"automation": {"gain_db": [{"s": 10, "value": 8}]}}}}, "hall", 8),
        ({"mix_bus": {"automation": {"gain_db": [{"s": 10, "value": -7}]}}}, "mix_bus", 7),
    ],
)  # fmt: skip
def test_every_level_that_can_be_ridden_can_jump(
    make: Make, where: dict[str, Any], name: str, step_db: float
) -> None:
    result = run(jump, make(where))
    assert said(result) == ([("look", name, "chorus")] if step_db else [])
    assert [one.measured for one in result.remarks] == [pytest.approx(step_db)] * bool(step_db)


def test_the_largest_jumps_are_told_first_and_twenty_at_most(make: Make) -> None:
    points = [
        {"s": round(1 + 0.5 * i, 1), "value": 0 if i % 2 else -7 - 0.1 * i} for i in range(30)
    ]
    result = run(jump, make({"tracks": {"keys": {"automation": {"gain_db": points}}}}))
    steps_db = [one.measured for one in result.remarks if one.measured is not None]
    assert len(steps_db) == 20
    assert steps_db == sorted(steps_db, reverse=True)
    assert steps_db[0] == pytest.approx(9.8)


def test_without_rides_nothing_can_jump(make: Make) -> None:
    assert not run(jump, make()).judged


def ridden(*but: tuple[float, float, float]) -> dict[str, Any]:
    """The keys, at the bus so many dB under their fader for a while."""
    return {"tracks": {"keys": {"placed": steady(-20, *((a, b, -20 - db) for a, b, db in but))}}}


@pytest.mark.parametrize(
    ("heard", "measured_db"),
    [
        ({}, None),
        (ridden((8, 16, 19)), None),
        (ridden((8, 16, 21)), 21.0),
        (ridden((8.5, 15.5, 40)), 40.0),  # ramps of half a second do not save it
        (ridden((8, 13, 40)), None),  # gone for less than three quarters
        (ridden((8, 16, 300)), 120.0),
    ],
)
def test_a_track_that_plays_must_not_vanish(
    make: Make, heard: dict[str, Any], measured_db: float | None
) -> None:
    result = run(track_vanishes, make(**heard))
    if measured_db is None:
        assert result.remarks == ()
    else:
        assert said(result) == [("look", "keys", "chorus")]
        assert result.remarks[0].measured == pytest.approx(measured_db)
        assert result.remarks[0].at_s == 8.0


@pytest.mark.parametrize(
    "muted",
    [
        {"tracks": {"keys": {"automation": {"mute": [{"section": "chorus", "value": True}]}}}},
        {"groups": {"band": {"automation": {"mute": [{"section": "chorus", "value": True}]}}}},
        {"groups": {"band": {"mute": True}}},
        {"tracks": {"keys": {"mute": True}}},
    ],
)
def test_what_is_muted_is_meant(make: Make, muted: dict[str, Any]) -> None:
    assert run(track_vanishes, make(muted, **ridden((8, 20, 60)))).remarks == ()


def test_a_track_that_hardly_plays_cannot_vanish(make: Make) -> None:
    for playing_s, vanishes in ((2.0, False), (3.0, True)):
        source = steady(-60, (0, 8 + playing_s, -20))
        keys = {"source": source, "treated": source, "balance": source}
        keys["placed"] = Levels(np.where(np.arange(HOPS) < 80, source.hops, 1e-9 * source.hops))
        result = run(track_vanishes, make(tracks={"keys": keys}))
        assert bool(result.remarks) == vanishes


def test_a_group_that_takes_its_tracks_along_is_told_once(make: Make) -> None:
    third = {"tracks": {"pads": {"file": "pads.wav", "role": "pad", "group": "band"}}}

    def down(by_db: float) -> dict[str, Any]:
        rides = [{"s": 0, "value": -by_db}, {"s": 8, "value": 0}]
        return {"groups": {"band": {"automation": {"gain_db": rides}}}}

    result = run(track_vanishes, make({**third, **down(30)}))
    assert said(result) == [("look", "band", "verse")]
    assert result.remarks[0].measured == pytest.approx(30.0)
    # The still fader of the group is part of the balance, and both rides add up.
    both = make(down(12), **ridden((0, 8, 12)))
    assert said(run(track_vanishes, both)) == [("look", "keys", "verse")]


def test_songs_without_sections_are_not_judged_by_section(make: Make) -> None:
    assert not run(track_vanishes, make({"song": {"sections": None}})).judged
    assert run(too_wet, make({"song": {"sections": None}})).measured == "wet to dry -20.0 LU"
