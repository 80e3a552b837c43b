"""What a shape can't say of variants in parts: who is in which stem, and whether they add up."""

from __future__ import annotations

from collections.abc import Iterator

from mixwright.problem import Problem
from mixwright.sheet.names import Names
from mixwright.sheet.tree import Entry
from mixwright.words import listed

# What would keep parts from adding up to the main mix, or can't be asked of it again.
_NOT_EXACT = ("only", "without", "mute", "offset_db", "clean", "bus_gain", "loudness")
_MOST_NAMED = 5


def check_parts(node: Entry, sheet: Entry, names: Names) -> Iterator[Problem]:
    """One way to split a variant, and parts that can add up where they are to."""
    total = node.child("sum")
    if "split_by" in node and "stems" in node:
        message = "split_by and stems are both given, expected one of them"
        both = (node.child("split_by").key_span, node.child("stems").key_span)
        second = max(both, key=lambda span: (span.line, span.column))
        yield Problem("sheet/two-splits", message, second)
    elif "sum" in node and "split_by" not in node and "stems" not in node:
        message = "sum does nothing without split_by or stems"
        yield Problem("sheet/no-effect", message, total.key_span)
    elif total.text == "exact":
        for key in (key for key in _NOT_EXACT if key in node):
            message = f"{key} has no place with sum: exact, whose parts add up to the main mix"
            help = f"leave {key} out, or write sum: own"
            yield Problem("sheet/exact-sum", message, node.child(key).key_span, help)
    elif node.child("loudness").entries() and ("split_by" in node or "stems" in node):
        message = "loudness has no place with parts: each would lose its place in the mix"
        help = "leave loudness out: parts keep the levels of the mix"
        yield Problem("sheet/parts-keep-levels", message, node.child("loudness").key_span, help)
    yield from _stems(node.child("stems"), sheet, names, total.text == "exact")


def _stems(stems: Entry, sheet: Entry, names: Names, exact: bool) -> Iterator[Problem]:
    """Stems that hold tracks, each track in one of them alone."""
    stem_of: dict[str, str] = {}
    faults: list[Problem] = []
    for stem, node in stems.entries():
        for member in node.items():
            faults += names.known(member, "tracks", "groups")
            tracks = _tracks_of(member.text, sheet)
            twice = [track for track in tracks if stem_of.setdefault(track, stem) != stem]
            if twice:
                message = f"{_named(twice)} in the stems {stem_of[twice[0]]} and {stem}"
                problem = f"{message}, expected a track in one alone"
                faults.append(Problem("sheet/in-two-stems", problem, member.span))
        if not faults and node.items() and stem not in stem_of.values():
            message = f"the stem {stem} holds no track"
            faults.append(Problem("sheet/no-tracks", message, node.key_span))
    yield from faults
    left = [name for name in _sounding(sheet) if name not in stem_of]
    if exact and stems.entries() and left and not faults:
        message = f"{_named(left)} in no stem, expected every track in one with sum: exact"
        help = "add them to a stem, or leave sum out"
        yield Problem("sheet/in-no-stem", message, stems.key_span, help)


def _tracks_of(member: str | None, sheet: Entry) -> list[str]:
    """The tracks that a name stands for: itself, or those of the group."""
    tracks = sheet.child("tracks").entries()
    return [name for name, track in tracks if member in (name, track.child("group").text)]


def _sounding(sheet: Entry) -> list[str]:
    """The tracks that the main mix holds: a spare one that stays muted adds nothing to it."""
    return [
        name
        for name, track in sheet.child("tracks").entries()
        if track.child("mute").value is not True or "mute" in track.child("automation")
    ]


def _named(tracks: list[str]) -> str:
    more = len(tracks) - _MOST_NAMED
    shown = [*tracks[:_MOST_NAMED], f"{more} more"] if more > 0 else tracks
    return f"{listed(shown, 'and')} {'is' if len(tracks) == 1 else 'are'}"
