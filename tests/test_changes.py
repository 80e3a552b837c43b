"""Two sheets by meaning: every change is told in the trade's words, and nothing else is."""

from __future__ import annotations

import dataclasses
import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any, get_args, get_type_hints

import pytest
import yaml

from mixwright.comparing.changes import ORDER, Change, changes_between
from mixwright.comparing.pairing import displaced, in_order, paired
from mixwright.sheet import (
    STEPS,
    Cover,
    Labels,
    Loudness,
    Point,
    Points,
    Release,
    Sheet,
    SheetText,
    Song,
    Track,
    Variant,
)
from mixwright.sheet.build import build_sheet
from mixwright.sheet.tree import read_tree
from mixwright.timeline import Position

ROOT = Path(__file__).resolve().parents[1]
SONG = (ROOT / "projects/lanterns_at_low_tide/mix.yaml").read_text("utf-8")
EVERY_KEY = (ROOT / "tests/sheets/good/every_key.yaml").read_text("utf-8")


@cache
def sheet_of(text: str) -> Sheet:
    """The sheet that a text stands for; files need not be there."""
    lines = tuple(text.splitlines())
    return build_sheet(Path("mix.yaml"), read_tree(SheetText("mix.yaml", text, lines)))


def edited(*edits: tuple[str, str], text: str = SONG) -> str:
    """The text with the first of each replaced."""
    for old, new in edits:
        assert old in text
        text = text.replace(old, new, 1)
    return text


def told(*edits: tuple[str, str], text: str = SONG) -> list[str]:
    return [str(c) for c in changes_between(sheet_of(text), sheet_of(edited(*edits, text=text)))]


def one_change(*edits: tuple[str, str]) -> Change:
    (change,) = changes_between(sheet_of(SONG), sheet_of(edited(*edits)))
    return change


# ---- what each change reads like ----

LEAD = "gain_db: -8.5\n    pan: C\n    eq:\n      - {type: high_pass, freq_hz: 110"
WORDS = [
    # balance and intake
    ((LEAD, LEAD.replace("-8.5", "-7.7")), "balance: lead_vocal: fader -8.5 -> -7.7 dB (+0.8)"),
    (("pan: L35", "pan: C"), "balance: hat: pan L35 -> C"),
    (("width_percent: 75", "width_percent: 80"), "balance: toms: width 75 -> 80 %"),
    (("mute: true\n    why: spare", "why: spare"), "balance: lead_vocal_take_1: mute off"),
    (("trim_db: 1.5", "trim_db: 1.49"), "balance: snare_top: trim +1.5 -> +1.49 dB (-0.01)"),
    (("group: bass\n", "group: drums\n"), "balance: bass_guitar: group bass -> drums"),
    (("role: pad", "role: backing_vocal"), "intake: pad: role pad -> backing vocal"),
    (
        ("polarity: invert\n", "polarity: normal\n"),
        "intake: snare_bottom: polarity invert -> normal",
    ),
    (("offset_ms: 5217.391", "offset_ms: 0"), "intake: bass_guitar: offset 5217.391 -> 0 ms"),
    (
        ("stems/keys.flac", "stems/keys.wav"),
        "intake: electric_keys: file stems/keys.flac -> stems/keys.wav",
    ),
    # EQ
    (("freq_hz: 95,", "freq_hz: 110,"), "eq: guitar_right: EQ: high-pass 95 -> 110 Hz"),
    (
        ("freq_hz: 360, gain_db: -3.5", "freq_hz: 360, gain_db: -2.5"),
        "eq: lead_vocal: EQ: bell 360 Hz: gain -3.5 -> -2.5 dB (+1.0)",
    ),
    (
        ("freq_hz: 750, gain_db: 1.5, q: 1.0", "freq_hz: 800, gain_db: 2, q: 1.2"),
        "eq: bass_guitar: EQ: bell 750 -> 800 Hz: gain +1.5 -> +2.0 dB (+0.5), Q 1 -> 1.2",
    ),
    (("on: side, ", ""), "bus: mix_bus: EQ: low-shelf 150 Hz: on side -> both"),
    (
        ("freq_hz: 320, slope_db_per_oct: 12", "freq_hz: 320, slope_db_per_oct: 24"),
        "eq: kick_out: EQ: low-pass 320 Hz: slope 12 -> 24 dB/oct",
    ),
    (("    level_match: false\n    why: only", "    why: only"), "eq: kick_out: level match on"),
    # dynamics
    (
        ("threshold_db: -22, ratio: 3, attack_ms: 8", "threshold_db: -20, ratio: 3, attack_ms: 8"),
        "dynamics: lead_vocal: compressor: threshold -22 -> -20 dB",
    ),
    (
        ("ratio: 2.5, attack_ms: 3", "ratio: 4, attack_ms: 3"),
        "dynamics: bass_guitar: compressor: ratio 2.5:1 -> 4:1",
    ),
    (("attack_ms: 12,", "attack_ms: 8,"), "dynamics: snare_top: compressor: attack 12 -> 8 ms"),
    (
        ("key: kick_in, ", ""),
        "dynamics: bass_guitar: compressor: keyed by kick_in -> its own signal",
    ),
    (("makeup_db: 6.0, ", ""), "dynamics: lead_double: compressor: make-up +6.0 dB -> matched"),
    (("hold_ms: 90", "hold_ms: 120"), "dynamics: snare_top: gate: hold 90 -> 120 ms"),
    (
        ("range_db: 6, attack_ms: 0.5", "range_db: 8, attack_ms: 0.5"),
        "dynamics: lead_vocal: de-esser: range 6 -> 8 dB",
    ),
    (
        ("ratio: 2, attack_ms: 15", "ratio: 1.5, attack_ms: 15"),
        "bus: mix_bus: compressor: ratio 2:1 -> 1.5:1",
    ),
    # effects
    (("{room: -18}", "{room: -12}"), "effects: tambourine: room send -18 -> -12 dB (+6.0)"),
    (("{room: -18}", "{room: off}"), "effects: tambourine: room send off (was -18 dB)"),
    (("{room: -18}", "{}"), "effects: tambourine: room send off (was -18 dB)"),
    (("{room: -18}", "{room: -18, hall: -16}"), "effects: tambourine: hall send new at -16 dB"),
    (("drive_db: 5", "drive_db: 6"), "effects: bass_guitar: insert: saturation: drive 5 -> 6 dB"),
    (
        ("semitones: -0.06", "semitones: -0.1"),
        "effects: lead_double: insert: pitch-shift: -0.06 -> -0.1 semitones",
    ),
    (("decay_s: 2.2", "decay_s: 1.8"), "effects: hall: decay 2.2 -> 1.8 s"),
    (("125: 1.1", "125: 1.2"), "effects: hall: decay at 125 Hz x1.1 -> x1.2"),
    (("note: 1/8 dotted", "note: 1/4"), "effects: echo: time 1/8 dotted -> 1/4"),
    (("time_ms: 95", "note: 1/16"), "effects: slap: time 95 ms -> 1/16"),
    (("    feedback_db: -9\n", ""), "effects: echo: feedback -9 dB -> one repeat"),
    (("ping_pong: true", "ping_pong: false"), "effects: echo: ping-pong off"),
    # the song and what is made of it
    (
        ("title: Lanterns", "title: Lamps"),
        "song: song: title Lanterns at Low Tide -> Lamps at Low Tide",
    ),
    (("bpm: 88", "bpm: 90"), "song: song: tempo from bar 27: 88 -> 90 bpm"),
    (
        ("bar: 27, bpm: 88", "bar: 28, bpm: 88"),
        "song: song: tempo 88 bpm moved from bar 27 to bar 28",
    ),
    (
        ("{name: bridge, bar: 15}", "{name: bridge, bar: 16}"),
        "song: song: section bridge moved from bar 15 to bar 16",
    ),
    (
        ("sample_rate_hz: 48000", "sample_rate_hz: 96000"),
        "song: song: sample rate 48000 -> 96000 Hz",
    ),
    (("{bar: 30, beat: 3}", "{bar: 31}"), "song: song: end bar 30 beat 3 -> bar 31"),
    (
        ("section: chorus 2, why: tone", "section: bridge, why: tone"),
        "song: references: reference references/harbour_radio.wav: section chorus 2 -> bridge",
    ),
    (
        ("accept:", "limits: {mono_loss_lu: 3}\naccept:"),
        "song: limits: limit mono loss new at 3 LU (by default 2 LU)",
    ),
    (
        ("variants:", "delivery: {integrated_lufs: -16}\nvariants:"),
        "delivery: delivery: delivery added: loudness -16 LUFS",
    ),
    (
        ("{lead_vocal: 1.0}", "{lead_vocal: 1.5}"),
        "delivery: vocal_up: offset of lead_vocal +1.0 -> +1.5 dB (+0.5)",
    ),
    (
        ("without: [vocals]\n", "without: [vocals, bass]\n"),
        "delivery: tv: without vocals -> vocals, bass",
    ),
    (("sum: exact", "sum: own"), "delivery: stems: sum exact -> own"),
    (
        ("copyright: 2026", "copyright: 2027"),
        "delivery: release: labels: copyright 2026 Ninefold Quay -> 2027 Ninefold Quay",
    ),
    (("date: 2026-11-20", "date: 2027"), "delivery: release: labels: date 2026-11-20 -> 2027"),
    (
        ("instead: lead_vocal_take_1, why: small", "why: small"),
        "delivery: clean: cover of lead_vocal at bar 5 beat 2.9: instead lead_vocal_take_1 -> none",
    ),
    (
        ("bar: 13, beat: 2.9", "bar: 13, beat: 3"),
        "delivery: clean: cover of vocals moved from bar 13 beat 2.9 to bar 13 beat 3",
    ),
]


RIDES = [
    (
        "{bar: 9, value: 0, over_beats: 1}",
        "{bar: 9, value: 0.8, over_beats: 1}",
        "ride at bar 9: 0.0 -> +0.8 dB",
    ),
    (
        "{bar: 9, value: 0, over_beats: 1}",
        "{bar: 9, value: 0}",
        "ride at bar 9: over 1 beat -> at once",
    ),
    (
        "        - {bar: 9, value: 0, over_beats: 1}\n",
        "",
        "ride: 0.0 dB over 1 beat at bar 9, removed",
    ),
    (
        "{bar: 25, value: 0, over_beats: 1}",
        "{bar: 26, value: 0, over_beats: 1}",
        "ride point moved from bar 25 to bar 26",
    ),
    (
        "{section: bridge, value: 1.0}",
        "{bar: 15, value: 1.0}",
        "ride point at section bridge now given as bar 15, the same place",
    ),
    (
        "- {section: bridge, value: 1.0}",
        "- {section: bridge, value: 1.0}\n        - {bar: 16, value: 3}",
        "ride: +3.0 dB at bar 16, new",
    ),
    (
        "- {section: bridge, value: 1.0}",
        "- {section: bridge, value: 1.0}\n        - {bar: 16, value: 3}\n"
        "        - {bar: 16, beat: 2, value: 1}",
        "ride +3.0 dB from bar 16 to bar 16 beat 2, new",
    ),
    (
        "        - {bar: 10, value: -14}\n        - {section: verse 2, value: off}\n",
        "",
        "echo send -14 dB from bar 10 to verse 2, removed",
    ),
    (
        "- {section: chorus 2, value: -22}",
        "- {section: chorus 2, value: -20}",
        "hall send at section chorus 2: -22 -> -20 dB",
    ),
]


ALL = [*WORDS, *(((old, new), f"automation: lead_vocal: {text}") for old, new, text in RIDES)]


def batches() -> list[list[tuple[tuple[str, str], str]]]:
    """All edits in as few sheets as hold them without overlap: reading a sheet takes its time."""
    found: list[tuple[set[int], list[tuple[tuple[str, str], str]]]] = []
    for edit, text in ALL:
        start = SONG.index(edit[0])
        touched = set(range(start, start + len(edit[0])))
        used, batch = next((b for b in found if not b[0] & touched), (set(), []))
        if not batch:
            found.append((used, batch))
        used |= touched
        batch.append((edit, text))
    return [batch for _, batch in found]


@pytest.mark.parametrize("batch", batches(), ids=len)
def test_changes_read_as_they_would_be_said(batch: list[tuple[tuple[str, str], str]]) -> None:
    edits = sorted((edit for edit, _ in batch), key=lambda edit: SONG.index(edit[0]))
    text, rest = "", SONG
    for old, new in edits:
        before, rest = rest[: (at := rest.index(old))], rest[at + len(old) :]
        text += before + new
    changes = changes_between(sheet_of(SONG), sheet_of(text + rest))
    assert sorted(map(str, changes)) == sorted(text for _, text in batch)


def test_rides_of_mute_pan_and_bands() -> None:
    assert told(("{bar: 22, value: L35}", "{bar: 22, value: L20}")) == [
        "automation: ad_lib: pan at bar 22: L35 -> L20"
    ]
    assert told(("{section: bridge, value: 2200", "{section: bridge, value: 2500")) == [
        "automation: pad: EQ: low-pass 6500 Hz: frequency at section bridge: 2200 -> 2500 Hz"
    ]
    mute = "mute: [{section: verse 1, value: true}, {section: chorus 1, value: false}]"
    assert told(("groups:", f"    automation: {{{mute}}}\ngroups:")) == [
        "automation: backing_low: mute on from verse 1 to chorus 1, new"
    ]


def test_one_band_more_is_one_change() -> None:
    before = "{type: bell, freq_hz: 360, gain_db: -3.5"
    new = "{type: bell, freq_hz: 320, gain_db: -2, q: 1.4, why: boxy}\n      - "
    change = one_change((before, new + before))
    assert str(change) == "eq: lead_vocal: EQ: bell 320 Hz -2.0 dB Q 1.4 added"
    assert (change.kind, change.why, change.old_span) == ("added", "boxy", None)


def test_bands_are_paired_by_type_and_distance() -> None:
    both = "- {type: bell, freq_hz: 200, gain_db: -2.0, q: 1.0}\n      - {type: bell, freq_hz: 750"
    text = edited((", why: makes room for the guitars' body", ""))
    now = both.replace("200", "4000").replace("750", "210")
    assert told((both, now), text=text) == [
        "eq: bass_guitar: EQ: bell 4000 Hz -2.0 dB Q 1 added",
        "eq: bass_guitar: EQ: bell 200 -> 210 Hz: gain -2.0 -> +1.5 dB (+3.5)",
        "eq: bass_guitar: EQ: bell 750 Hz +1.5 dB Q 1 removed",
    ]


def test_bands_that_change_places_are_moved() -> None:
    first = "      - {type: notch, freq_hz: 50, q: 8, why: mains hum}\n"
    last = "      - {type: bell, freq_hz: 255"
    (change,) = changes_between(sheet_of(SONG), sheet_of(edited((first, ""), (last, first + last))))
    assert change.kind == "moved"
    assert change.text.startswith("EQ: notch 50 Hz Q 8 moved: now after high-pass 90 Hz")


def test_a_processor_comes_and_goes_whole() -> None:
    line = next(line for line in SONG.splitlines() if "for words" in line or "de_esser:" in line)
    gone = one_change((line + "\n", ""))
    assert gone.text.startswith("de-esser removed (threshold -36 dB, frequency 6000 Hz, ratio 3")
    assert (gone.kind, gone.new_span) == ("removed", None)
    come = told(
        ("  vocals:\n    gain_db: 0\n", "  vocals:\n    compressor: {threshold_db: -9, ratio: 2}\n")
    )
    assert come == [
        "dynamics: vocals: compressor added: threshold -9 dB, ratio 2:1, attack 10 ms, "
        "release 100 ms, knee 6 dB, make-up matched"
    ]


# ---- places, reasons, order ----


def test_a_change_knows_its_place_in_both_sheets() -> None:
    shift = "song:\n  # one line more\n"
    change = one_change(("song:\n", shift), ("decay_s: 2.2", "decay_s: 1.8"))
    assert change.old_span is not None
    assert change.new_span is not None
    line = SONG.splitlines().index("    decay_s: 2.2") + 1
    assert (change.old_span.line, change.new_span.line) == (line, line + 1)


def test_a_reason_is_carried_or_told_alone() -> None:
    band = "freq_hz: 360, gain_db: -3.5, q: 1.3, why: box of the booth"
    kept = one_change((band, band.replace("-3.5", "-2.5")))
    assert (kept.why, kept.reason) == ("box of the booth", "kept")
    new = one_change((band, "freq_hz: 360, gain_db: -2.5, q: 1.3, why: less was enough"))
    assert (new.why, new.reason) == ("less was enough", "new")
    alone = one_change((band, band + " and of the stand"))
    assert (
        alone.text
        == "EQ: bell 360 Hz: reason: box of the booth -> box of the booth and of the stand"
    )
    assert alone.reason == "alone"
    effect = one_change(("decay_s: 2.2", "decay_s: 2"), ("why: depth behind", "why: behind"))
    assert (effect.text, effect.reason) == ("decay 2.2 -> 2 s", "new")
    why = "      - {type: low_pass, freq_hz: 320, slope_db_per_oct: 12, why: only snare spill"
    gone = one_change((f"{why} lives up there}}\n", ""), ("    eq:\n\n", "\n"))
    assert (gone.kind, gone.why) == ("removed", None)
    dropped = told((band, "freq_hz: 360, gain_db: -2.5, q: 1.3"))
    assert dropped[1] == "eq: lead_vocal: EQ: bell 360 Hz: reason dropped: box of the booth"


def test_changes_come_in_the_order_of_the_steps_and_then_of_the_sheet() -> None:
    edits = [edit for edit, text in WORDS if "send new at" in text or "fader" in text]
    edits += [("variants:", "delivery: {tolerance_lu: 1}\nvariants:"), ("title: L", "title: M")]
    edits += [("freq_hz: 95,", "freq_hz: 110,"), ("freq_hz: 240", "freq_hz: 250")]
    changes = changes_between(sheet_of(SONG), sheet_of(edited(*edits)))
    steps = [ORDER.index(change.step) for change in changes]
    assert steps == sorted(steps)
    assert [c.name for c in changes if c.step == "eq"] == ["kick_in", "guitar_right"]
    assert [step for step in ORDER if step in STEPS] == list(STEPS)


# ---- what does not count ----


def test_layout_comments_and_the_order_of_keys_say_nothing() -> None:
    def reordered(value: Any, depth: int) -> Any:
        if isinstance(value, dict):
            # Tracks, groups, returns and variants are in an order; what is said of each is not.
            keys = sorted(value) if depth != 1 else list(value)
            return {key: reordered(value[key], depth + 1) for key in keys}
        return [reordered(one, depth + 1) for one in value] if isinstance(value, list) else value

    for text in (SONG, EVERY_KEY):
        plain = read_tree(SheetText("mix.yaml", text, tuple(text.splitlines()))).value
        again = yaml.safe_dump(reordered(plain, 0), sort_keys=False, allow_unicode=True)
        assert again != text
        assert changes_between(sheet_of(text), sheet_of("# other\n" + again)) == ()
        elsewhere = replace(sheet_of(text), path=Path("other/mix.yaml"))
        assert changes_between(sheet_of(text), elsewhere) == ()


def test_a_tempo_moves_timed_effects_without_a_change_of_their_own() -> None:
    assert told(("bpm: 92", "bpm: 96")) == ["song: song: tempo from bar 1: 92 -> 96 bpm"]


def test_renamed_parts_are_one_change_each_and_references_follow() -> None:
    text = SONG.replace("kick_in:", "kick:").replace("key: kick_in", "key: kick")
    text = text.replace("lead_vocal:", "voice:").replace("name: lead_vocal,", "name: voice,")
    text = text.replace("lead_vocal_take_1:", "spare:").replace("lead_vocal_take_1,", "spare,")
    text = text.replace("drums", "kit").replace("vocals", "voices")
    text = text.replace("  hall:", "  church:").replace("hall: -", "church: -")
    text = text.replace("sends_db.hall", "sends_db.church").replace("  tv:", "  television:")
    text = text.replace("verse 2", "second verse")
    changes = changes_between(sheet_of(SONG), sheet_of(text))
    assert [change.text for change in changes] == [
        "section verse 2 renamed second verse",
        "track renamed from kick_in to kick",
        "track renamed from lead_vocal to voice",
        "track renamed from lead_vocal_take_1 to spare",
        "group renamed from drums to kit",
        "group renamed from vocals to voices",
        "group renamed from backing_vocals to backing_voices",
        "return renamed from hall to church",
        "variant renamed from tv to television",
    ]
    assert {change.kind for change in changes} == {"renamed"}
    assert changes[2].name == "voice"
    assert changes[2].old_span == sheet_of(SONG).span_of("tracks", "lead_vocal")


def test_a_renamed_track_goes_on_with_its_changes() -> None:
    text = SONG.replace("  lead_vocal:\n", "  voice:\n").replace("{lead_vocal:", "{voice:")
    text = text.replace("name: lead_vocal,", "name: voice,")
    text = edited(("hall: -22, slap", "hall: -20, slap"), text=text)
    changes = changes_between(sheet_of(SONG), sheet_of(text))
    assert [str(change) for change in changes] == [
        "intake: voice: track renamed from lead_vocal to voice",
        "effects: voice: hall send -22 -> -20 dB (+2.0)",
    ]
    assert changes[1].old_span == sheet_of(SONG).span_of("tracks", "lead_vocal", "sends_db", "hall")


def test_a_track_that_comes_goes_or_moves() -> None:
    shaker = SONG[SONG.index("  shaker:") : SONG.index("  tambourine:")]
    without = SONG.replace(shaker, "")
    (gone,) = changes_between(sheet_of(SONG), sheet_of(without))
    assert (str(gone), gone.kind) == ("intake: shaker: track removed", "removed")
    (come,) = changes_between(sheet_of(without), sheet_of(SONG))
    assert come.text == (
        "track added: stems/shaker.wav, role percussion, group percussion, fader -11.0 dB, "
        "pan R45, EQ (high-pass 1200 Hz 12 dB/oct)"
    )
    moved = without.replace("  # ---- keyboards", f"{shaker}\n  # ---- keyboards")
    (change,) = changes_between(sheet_of(SONG), sheet_of(moved))
    assert (str(change), change.kind) == (
        "intake: shaker: track moved: now after guitar_right",
        "moved",
    )


def test_two_candidates_are_no_rename() -> None:
    old, new = (
        replace(sheet_of(SONG), variants=tuple(Variant(name) for name in names))
        for names in (("one", "two"), ("three", "four"))
    )
    assert {change.kind for change in changes_between(old, new)} == {"added", "removed"}


# ---- nothing is left out ----

RICH = replace(
    sheet_of(EVERY_KEY),
    limits={"mono_loss_lu": 2.5, "jump_db": 5.0},
    release=Release("{title} - {variant}", Labels(album="Harbour Lights", track_number=3)),
    variants=(
        *sheet_of(EVERY_KEY).variants,
        Variant(
            "clean",
            sample_rates_hz=(48000, 44100),
            mute=("kick",),
            clean=(Cover("lead_vocal", Position(bar=9), 1.0, instead="bass", why="a word"),),
            stems={"low": ("kick", "bass"), "voices": ("vocals",)},
            loudness=Loudness("ebu_r_128", -23.0, -1.0),
            head_s=0.5,
            tail_s=2.0,
            fade_out_s=1.5,
            file_name="{title}",
            labels=Labels(isrc="ZZX012500001", time_reference_s=3600.0),
            why="for the radio",
        ),
    ),
)
SAMPLES: tuple[Any, ...] = (
    *(1.0, 50.0, 1000.0, 0.5, -3.0, 12, 3, True, "other words", Position(bar=2)),
    *(Loudness(), (Point(Position(bar=2), 1.0),)),
)


# A number on both sides of an arrow tells nothing.
SAME_NUMBER = re.compile(
    r"(?<!, )(?<![-+\d.])([-+]?\d+(?:\.\d+)?)( \S+)? -> \1( \S+)?(, (?!\d)| \(|$)"
)
EMPTY = {float: 1.5, Points: (Point(Position(bar=2), 1.0),), tuple[str, ...]: ("kick",)}


def mutations(value: Any, hint: Any = None) -> Iterator[Any]:
    """The value with one thing in it otherwise: each field, entry and item in turn."""
    if isinstance(value, Position):
        # Exactly one of its fields says where it is.
        yield from (Position(bar=2, beat=1.5), Position(seconds=3.0), Position(section="chorus 1"))
    elif dataclasses.is_dataclass(value) and not isinstance(value, type):
        hints = get_type_hints(type(value))
        for entry in dataclasses.fields(value):
            if entry.name in ("path", "spans"):
                continue
            for other in mutations(getattr(value, entry.name), hints[entry.name]):
                try:
                    yield replace(value, **{entry.name: other})
                except ValueError:
                    continue  # out of the bounds of a processor
    elif isinstance(value, tuple):
        hints = get_args(hint)
        is_list = hints[1:] == (...,)
        yield from (value[:i] + value[i + 1 :] for i in range(len(value) if is_list else 0))
        for i, one in enumerate(value):
            others = mutations(one, hints[0 if is_list else i])
            yield from ((*value[:i], other, *value[i + 1 :]) for other in others)
    elif isinstance(value, Mapping):
        blank = EMPTY[get_args(hint)[1]]
        yield {**value, "kick": next(iter(value.values()), blank)}
        for key, one in value.items():
            yield {k: v for k, v in value.items() if k != key}
            others = mutations(one, get_args(hint)[1])
            yield from ({**value, key: other} for other in others)
    elif isinstance(value, bool):
        yield not value
    elif value is None:
        yield from (one for one in SAMPLES if type(one) in get_args(hint))
    elif isinstance(value, int | float):
        # The smaller step is within bounds where the larger is not.
        yield from (value + 6, value - 1e-9) if math.isfinite(value) else (-7.0,)
    elif isinstance(value, str):
        yield f"not {value} at all"  # the words keep a number in it from looking like one again
        yield from (word for word in ("hold", "rms", "side", "invert") if word in get_args(hint))
        yield from () if type(None) not in get_args(hint) else (None,)


def fields_reached(value: Any) -> set[tuple[str, str]]:
    """All fields of all dataclasses in a value, with the name of their class."""
    if isinstance(value, Mapping):
        return set().union(*(fields_reached(one) for one in value.values()))
    if isinstance(value, tuple):
        return set().union(*(fields_reached(one) for one in value))
    if not dataclasses.is_dataclass(value) or isinstance(value, type):
        return set()
    names = [entry.name for entry in dataclasses.fields(value)]
    found = {(type(value).__name__, name) for name in names}
    return found.union(*(fields_reached(getattr(value, name)) for name in names))


def test_no_change_of_a_sheet_is_silent() -> None:
    kinds = {kind for kind, _ in fields_reached(RICH)}
    assert kinds >= {"Track", "Band", "ReverbSettings", "DelaySettings", "LimiterSettings", "Cover"}
    count = 0
    for other in mutations(RICH):
        if other == RICH:
            continue
        count += 1
        for pair in ((RICH, other), (other, RICH)):
            changes = changes_between(*pair)
            assert changes, [
                (entry.name, getattr(RICH, entry.name), getattr(other, entry.name))
                for entry in dataclasses.fields(Sheet)
                if getattr(RICH, entry.name) != getattr(other, entry.name)
            ]
            assert all(change.step in ORDER and change.text for change in changes)
            assert not [c.text for c in changes if SAME_NUMBER.search(c.text)]
    assert count > 700
    assert changes_between(RICH, replace(RICH)) == ()


def test_sheets_with_nothing_in_common_can_be_told_apart() -> None:
    one, other = sheet_of(SONG), sheet_of(EVERY_KEY)
    for old, new in ((one, other), (other, one)):
        changes = changes_between(old, new)
        both = {track.name for track in old.tracks} & {track.name for track in new.tracks}
        gone = {c.name for c in changes if c.kind == "removed" and c.text == "track removed"}
        assert gone == {track.name for track in old.tracks} - both
        for change in changes:
            assert (change.old_span is None) == (change.kind == "added"), change
            assert (change.new_span is None) == (change.kind == "removed"), change


@dataclass(frozen=True)
class LaterTrack(Track):
    """A track with a field that the comparison has never heard of."""

    shimmer_db: float | None = None


@dataclass(frozen=True)
class LaterSheet(Sheet):
    """A sheet of a later format."""

    credits: Mapping[str, str] = dataclasses.field(default_factory=dict)


def test_a_field_that_nobody_knows_is_told_by_its_name() -> None:
    song = Song("Lanterns at Low Tide", 48000)
    old, new = (
        LaterSheet(
            Path("mix.yaml"), song, (LaterTrack("pad", "pad.wav", shimmer_db=db),), credits=c
        )
        for db, c in ((None, {}), (3.0, {"cello": "Ninefold Quay"}))
    )
    assert [str(change) for change in changes_between(old, new)] == [
        "song: song: credits cello new: Ninefold Quay",
        "balance: pad: shimmer none -> 3 dB",
    ]


# ---- pairing ----


def test_what_changed_places_is_as_little_as_explains_the_order() -> None:
    old, new = "abcdefgh", "bcdhaefg"
    pairs = paired(old, new, str)
    assert {new[j] for j in displaced(pairs)} == {"h", "a"}
    assert displaced(paired(old, "bdgh", str)) == set()


def test_everything_is_gone_through_once() -> None:
    old, new = "abcd", "xbydz"
    walk = list(in_order(paired(old, new, str), len(old), len(new)))
    names = [old[i] if j is None and i is not None else new[j or 0] for i, j in walk]
    assert "".join(names) == "axbcydz"
