"""The song on paper: tempo, sections, chords, the sung lines and the drum patterns.

Nothing here makes sound. Bars and beats count from 1, as on the mix sheet; MIDI note 69 is 440 Hz.
"""

from __future__ import annotations

from typing import NamedTuple

RATE_HZ = 48000
BEATS_PER_BAR = 4
TEMPO = ((1, 92.0), (27, 88.0))
SECTIONS = (
    ("intro", 1, 2),
    ("verse 1", 3, 4),
    ("chorus 1", 7, 4),
    ("verse 2", 11, 4),
    ("bridge", 15, 4),
    ("chorus 2", 19, 8),
    ("outro", 27, 3),
)
LAST_BAR = 29
SONG_SECONDS = 78.5  # the last chord rings on past the end of bar 29


def seconds_at(bar: float, beat: float = 1.0) -> float:
    """Return the time of a bar and beat over the tempo change.

    >>> round(seconds_at(3), 6)
    5.217391
    """
    position = (bar - 1.0) * BEATS_PER_BAR + beat - 1.0
    seconds = 0.0
    for index, (start_bar, bpm) in enumerate(TEMPO):
        start = (start_bar - 1.0) * BEATS_PER_BAR
        last = index + 1 == len(TEMPO)
        stop = position if last else min(position, (TEMPO[index + 1][0] - 1.0) * BEATS_PER_BAR)
        seconds += max(0.0, stop - start) * 60.0 / bpm
    return seconds


def frequency_hz(midi: float) -> float:
    """Return the frequency of a MIDI note number.

    >>> frequency_hz(69)
    440.0
    """
    return float(440.0 * 2.0 ** ((midi - 69.0) / 12.0))


class Chord(NamedTuple):
    """A chord as the players read it: bass note, guitar voicing, close keyboard voicing."""

    bass: int
    guitar: tuple[int, ...]
    close: tuple[int, ...]


CHORDS = {
    "D": Chord(38, (50, 57, 62, 66), (54, 57, 62, 64)),
    "D/F#": Chord(30, (54, 57, 62, 66), (54, 57, 62, 66)),
    "Bm7": Chord(35, (47, 54, 57, 62, 66), (54, 57, 59, 62)),
    "Gmaj7": Chord(31, (43, 50, 59, 62, 66), (54, 55, 59, 62)),
    "G": Chord(31, (43, 50, 55, 59, 67), (55, 59, 62, 67)),
    "Em7": Chord(28, (52, 59, 62, 67), (52, 55, 59, 62)),
    "A": Chord(33, (45, 52, 57, 61, 64), (52, 57, 61, 64)),
    "Asus4": Chord(33, (45, 52, 57, 62, 64), (52, 57, 62, 64)),
}

_VERSE = ("D", "Bm7", "Gmaj7", "Em7 A")
_CHORUS = ("G", "A", "Bm7", "D/F#")
_PROGRESSION = (
    *("D", "Gmaj7"),
    *_VERSE,
    *_CHORUS,
    *_VERSE,
    *("Em7", "Gmaj7", "Bm7", "Asus4 A"),
    *_CHORUS,
    *("G", "A", "Bm7", "A"),
    *("Gmaj7", "Asus4 A", "D"),
)


class Harmony(NamedTuple):
    """A chord in its place: where it starts, and for how many beats it lasts."""

    bar: int
    beat: float
    beats: float
    chord: Chord


def harmony() -> list[Harmony]:
    """Return the whole chord chart, one entry per chord."""
    chart = []
    for index, names in enumerate(_PROGRESSION):
        inside = names.split()
        beats = BEATS_PER_BAR / len(inside)
        for place, name in enumerate(inside):
            chart.append(Harmony(index + 1, 1.0 + place * beats, beats, CHORDS[name]))
    return chart


def chord_at(bar: int, beat: float) -> Chord:
    """Return the chord that sounds at a position."""
    before = [h.chord for h in harmony() if (h.bar, h.beat) <= (bar, beat)]
    return before[-1]


def section_of(bar: int) -> str:
    """Return the name of the section a bar belongs to."""
    return next(name for name, first, bars in SECTIONS if first <= bar < first + bars)


class Syllable(NamedTuple):
    """A sung syllable: place, length, one or more pitches, sounds, and how loudly it was sung."""

    bar: int
    beat: float
    beats: float
    pitches: tuple[int, ...]
    sounds: str
    level_db: float = 0.0


_Sung = tuple[float, float, tuple[int, ...], str]


def _line(bar: int, level_db: float, sung: list[_Sung]) -> list[Syllable]:
    """Place a line: beats run on through the bar lines (beat 5 is beat 1 of the next bar)."""
    placed = []
    for beat, beats, pitches, sounds in sung:
        bars, inside = divmod(beat - 1.0, BEATS_PER_BAR)
        placed.append(Syllable(bar + int(bars), inside + 1.0, beats, pitches, sounds, level_db))
    return placed


_VERSE_PITCHES_1: list[tuple[float, float, tuple[int, ...]]] = [
    (1.0, 1.0, (66,)),
    (2.0, 0.5, (64,)),
    (2.5, 1.4, (62,)),
    (4.0, 0.5, (64,)),
    (4.5, 0.5, (66,)),
    (5.0, 0.5, (69,)),
    (5.5, 2.2, (66, 64)),
]
_VERSE_PITCHES_2: list[tuple[float, float, tuple[int, ...]]] = [
    (1.0, 0.95, (67,)),
    (2.0, 0.95, (66,)),
    (3.0, 0.5, (62,)),
    (3.5, 0.5, (64,)),
    (4.0, 0.95, (66,)),
    (5.0, 0.5, (64,)),
    (5.5, 2.4, (64,)),
]


def _to_words(pitches: list[tuple[float, float, tuple[int, ...]]], words: str) -> list[_Sung]:
    """Set words to a tune; `|` stands between syllables."""
    sounds = [word.strip() for word in words.split("|")]
    return [(*note, sound) for note, sound in zip(pitches, sounds, strict=True)]


def verse_1() -> list[Syllable]:
    """Lanterns lean along the quay, / low tide keeps its words from me."""
    first = "l ae n|t er n z|l i n|uh|l o n|dh uh|k i"
    second = "l ou|t ai d|k i p s|I t s|w er d z|f r uh m|m i"
    return _line(3, -1.0, _to_words(_VERSE_PITCHES_1, first)) + _line(
        5, -4.0, _to_words(_VERSE_PITCHES_2, second)
    )


def verse_2() -> list[Syllable]:
    """Salt has written on the stone / every name it carried home.

    The word "name" is nearly swallowed: the mix has to ride it back up.
    """
    first = "s o l t|h ae z|r I|t uh n|o n|dh uh|s t ou n"
    second = "e v|r i|n ei m|I t|k ae|r i d|h ou m"
    lines = _line(11, -2.5, _to_words(_VERSE_PITCHES_1, first)) + _line(
        13, -1.5, _to_words(_VERSE_PITCHES_2, second)
    )
    return [s._replace(level_db=-12.0) if s.sounds == "n ei m" else s for s in lines]


def chorus(bar: int, level_db: float) -> list[Syllable]:
    """Hold the light, hold the light low, / till the tide comes home."""
    return _line(
        bar,
        level_db,
        [
            (1.0, 1.5, (71,), "h ou l d"),
            (2.5, 0.5, (69,), "dh uh"),
            (3.0, 1.7, (67, 69), "l ai t"),
            (5.0, 1.0, (69,), "h ou l d"),
            (6.0, 0.5, (64,), "dh uh"),
            (6.5, 1.0, (66,), "l ai t"),
            (7.5, 1.2, (64,), "l ou"),
            (9.0, 0.5, (62,), "t I l"),
            (9.5, 0.5, (64,), "dh uh"),
            (10.0, 1.5, (66,), "t ai d"),
            (11.5, 1.4, (69, 71), "k uh m z"),
            (13.0, 2.8, (69, 66), "h ou m"),
        ],
    )


def bridge() -> list[Syllable]:
    """And if the morning finds the sand, / leave a lantern in my hand."""
    first: list[_Sung] = [
        (1.0, 0.5, (64,), "ae n d"),
        (1.5, 0.5, (67,), "I f"),
        (2.0, 0.5, (67,), "dh uh"),
        (2.5, 1.0, (69,), "m o r"),
        (3.5, 0.5, (67,), "n I n"),
        (4.0, 1.0, (66,), "f ai n d z"),
        (5.0, 0.5, (64,), "dh uh"),
        (5.5, 2.2, (62,), "s ae n d"),
    ]
    second: list[_Sung] = [
        (1.0, 0.95, (66,), "l i v"),
        (2.0, 0.5, (64,), "uh"),
        (2.5, 1.0, (66,), "l ae n"),
        (3.5, 0.5, (69,), "t er n"),
        (4.0, 0.5, (71,), "I n"),
        (4.5, 0.5, (69,), "m ai"),
        (5.0, 3.3, (69, 71), "h ae n d"),
    ]
    return _line(15, -3.5, first) + _line(17, -0.5, second)


def outro() -> list[Syllable]:
    """Low tide, low tide."""
    return _line(
        27,
        -4.0,
        [
            (1.0, 1.4, (66,), "l ou"),
            (2.5, 1.6, (62,), "t ai d"),
            (5.0, 2.0, (64,), "l ou"),
            (9.0, 2.6, (62,), "t ai d"),
        ],
    )


def lead_vocal() -> list[Syllable]:
    """Return the whole lead vocal."""
    choruses = chorus(7, -1.5) + chorus(19, 0.5) + chorus(23, 1.0)
    return sorted([*verse_1(), *choruses, *verse_2(), *bridge(), *outro()])


def doubled_vocal() -> list[Syllable]:
    """Return what the double sings: the end of the bridge and the last chorus."""
    return [s for s in lead_vocal() if 17 <= s.bar < 27]


def ad_lib() -> list[Syllable]:
    """Return the calls between the lines of the last chorus."""
    return _line(
        22,
        0.0,
        [
            (3.5, 1.4, (69, 71, 74), "h ou"),
            (8.5, 1.2, (74, 73), "l ou"),
            (15.5, 1.4, (74, 71, 69), "h ou"),
            (19.0, 1.8, (71, 69), "h ou m"),
        ],
    )


def backing(upper: bool) -> list[Syllable]:
    """Return a harmony to the choruses: the next chord tone a third or more above or below."""
    sung = chorus(7, -2.0) + chorus(19, 0.0) + chorus(23, 0.0)
    return [s._replace(pitches=_harmony_to(s, upper)) for s in sung]


def _harmony_to(syllable: Syllable, upper: bool) -> tuple[int, ...]:
    tones = {note % 12 for note in chord_at(syllable.bar, syllable.beat).close}
    steps = range(3, 10) if upper else range(-3, -10, -1)
    return tuple(
        next(pitch + step for step in steps if (pitch + step) % 12 in tones)
        for pitch in syllable.pitches
    )


# One bar of sixteenths per string: X hard, x normal, o soft, g a ghost note.
PATTERNS: dict[str, dict[str, tuple[str, ...]]] = {
    "intro": {"hat": ("................", "............o.o.")},
    "verse 1": {
        "kick": ("X.........x.....", "X......x..x....."),
        "snare": ("....x.......x...", "....x..g....x..g"),
        "hat": ("x.o.x.o.x.o.x.o.", "x.o.x.o.x.o.x.oo"),
        "shaker": ("g.o.g.o.g.o.g.o.",),
    },
    "chorus 1": {
        "kick": ("X.....x.x.......", "X.....x.x..x...."),
        "snare": ("....x.......x...", "....x..g....x..g"),
        "hat": ("x.x.x.x.x.x.x.x.",),
        "shaker": ("xoxoxoxoxoxoxoxo",),
        "tambourine": ("....x.......x...",),
    },
    "verse 2": {
        "kick": ("X......x..x.....", "X..x......x....."),
        "snare": ("....x..g....x...", "....x....g..x..g"),
        "hat": ("x.o.xoo.x.o.x.o.", "x.o.xoo.x.o.xoo."),
        "shaker": ("g.o.g.o.g.o.g.o.",),
    },
    "bridge": {
        "kick": ("X.......x.......", "X.......x.x....."),
        "shaker": ("xoxoxoxoxoxoxoxo",),
        "floor_tom": ("..x...x...x.x...", "..x...x...x.xoxo"),
    },
    "chorus 2": {
        "kick": ("X.....x.x.......", "X..x..x.x..x...."),
        "snare": ("....X..g....X...", "....X..g.g..X..g"),
        "hat": ("x.x.x.x.x.x.x.x.",),
        "shaker": ("xoxoxoxoxoxoxoxo",),
        "tambourine": ("o.o.X.o.o.o.X.o.",),
    },
    "outro": {"kick": ("X...............",), "shaker": ("g.o.g.o.g.o.g.o.",)},
}
# What a bar plays in place of the section's pattern: fills and endings.
FILLS: dict[int, dict[str, str]] = {
    2: {"snare": "..............gx", "rack_tom": "............o..."},
    6: {
        "snare": "....x.......oxxX",
        "rack_tom": "..............x.",
        "floor_tom": "...............x",
    },
    10: {"snare": "....X.......X...", "floor_tom": ".............x.x"},
    18: {"snare": "o.g.o.googooxxXX", "floor_tom": "x...x...x...x.x."},
    22: {"rack_tom": "............xx..", "floor_tom": "..............xx"},
    26: {"rack_tom": "..........xx....", "floor_tom": "............xxX."},
    28: {"kick": "X...............", "shaker": "................"},
    29: {"kick": "X...............", "shaker": "................"},
}
CRASHES = {7: 0.9, 15: 0.6, 19: 1.0, 23: 0.9, 27: 0.7, 29: 0.55}
RIDE_BARS = range(19, 27)
VELOCITY = {"X": 1.0, "x": 0.8, "o": 0.5, "g": 0.25}


class Hit(NamedTuple):
    """One drum hit: seconds and velocity, 0 to 1."""

    seconds: float
    velocity: float


def hits(drum: str) -> list[Hit]:
    """Return every hit of one drum through the song, exactly on the grid."""
    found = []
    for name, first, bars in SECTIONS:
        patterns = PATTERNS[name].get(drum, ())
        for bar in range(first, first + bars):
            usual = patterns[(bar - first) % len(patterns)] if patterns else ""
            played = FILLS.get(bar, {}).get(drum, usual)
            for step, mark in enumerate(played):
                if mark != ".":
                    found.append(Hit(seconds_at(bar, 1.0 + step / 4.0), VELOCITY[mark]))
    return found
