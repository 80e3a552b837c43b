"""How the files of variants are called: the pattern in the sheet, filled in.

A pattern may leave out what tells the files of one variant apart (part, rate, format): it is added
then. What tells variants apart it must not leave out, see :func:`check_file_names`.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from mixwright.problem import Problem, Span
from mixwright.sheet.deliverables import Labels, Variant
from mixwright.sheet.model import Sheet
from mixwright.sheet.nearest import similar
from mixwright.sheet.tree import Entry

# What lies in the folder of the deliverables beside them.
OWN_NAMES, MANIFEST = ".mixwright-", "manifest.json"
DEFAULT_FILE_NAME = "{title} - {variant}"
PLACEHOLDERS = (
    "title",
    "artist",
    "album",
    "variant",
    "stem",
    "format",
    "rate_hz",
    "track_number",
)
_PLACEHOLDER = re.compile(r"\{([^{}]*)\}")
# What some disk or other doesn't take in a name; / and \ lie between folders.
_REFUSED = re.compile(r'[:*?"<>|\x00-\x1f\x7f]')
_REFUSED_IN_VALUES = re.compile(r'[/\\:*?"<>|\x00-\x1f\x7f]')
_BITS = re.compile(r"(16|24|32f)$")


def check_pattern(node: Entry) -> Iterator[Problem]:
    """A `file_name` with placeholders that exist, within the folder that is delivered."""
    pattern = node.text
    if pattern is None:
        return
    for name in dict.fromkeys(_PLACEHOLDER.findall(pattern)):
        if name not in PLACEHOLDERS:
            help = similar("placeholder", name, PLACEHOLDERS)
            message = f"unknown placeholder {{{name}}} in file_name"
            yield Problem("sheet/unknown-placeholder", message, node.span, help)
    if (fault := _fault_of(_PLACEHOLDER.sub("name", pattern))) is not None:
        message = f"file_name {fault}"
        yield Problem("sheet/bad-file-name", message, node.span)


def _fault_of(path: str) -> str | None:
    """What is wrong with a pattern whose placeholders are filled in."""
    folders = path.split("/")
    if "{" in path or "}" in path:
        return "holds a brace without its partner, expected placeholders such as {title}"
    if "\\" in path:
        return "holds \\, expected / between folders"
    if path.startswith("/") or re.match("[A-Za-z]:", path):
        return "is an absolute path, expected one inside the folder of the deliverables"
    if ".." in folders:
        return "leads out of the folder of the deliverables, expected a path inside it"
    if found := _REFUSED.search(path):
        shown = found[0] if found[0].isprintable() else f"the character U+{ord(found[0]):04X}"
        return f"holds {shown}, which some disks do not take in a name"
    if any(not folder.strip(" .") for folder in folders):
        return "names a folder or file with nothing, expected a name on both sides of each /"
    return None


def file_name(
    sheet: Sheet, variant: Variant, form: str, rate_hz: int, stem: str | None = None
) -> str:
    """Return the path of a file within the folder of the deliverables, with / and its ending.

    `form` is a format's name, `stem` the part of a variant that is split.

    >>> from mixwright.sheet.model import Path, Song
    >>> sheet = Sheet(Path("mix.yaml"), Song("Salt Road", 48000), ())
    >>> file_name(sheet, Variant("main"), "flac24", 48000)
    'Salt Road - main.flac'
    >>> file_name(sheet, Variant("stems", split_by="group"), "wav24", 48000, "drums")
    'Salt Road - stems - drums.wav'
    """
    pattern = pattern_of(sheet, variant)
    used = _PLACEHOLDER.findall(pattern)
    if stem is not None and "stem" not in used:
        pattern += " - {stem}"
    if len(variant.sample_rates_hz) > 1 and "rate_hz" not in used:
        pattern += " - {rate_hz} Hz"
    alike = [other for other in variant.formats if _ending(other) == _ending(form)]
    if len(alike) > 1 and "format" not in used:
        pattern += " - {format}"
    values = _said(sheet, variant) | {"variant": variant.name, "stem": stem, "format": form}
    values["rate_hz"] = str(rate_hz)
    path = _PLACEHOLDER.sub(lambda found: _plain(values[found[1]] or ""), pattern)
    folders = [folder.strip().rstrip(" .") or "_" for folder in path.split("/")]
    return "/".join(folders) + "." + _ending(form)


def pattern_of(sheet: Sheet, variant: Variant) -> str:
    """Return the pattern that the files of a variant go by."""
    return variant.file_name or sheet.release.file_name or DEFAULT_FILE_NAME


def _ending(form: str) -> str:
    return _BITS.sub("", form)


def _plain(value: str) -> str:
    return _REFUSED_IN_VALUES.sub("_", value)


def _said(sheet: Sheet, variant: Variant) -> dict[str, str | None]:
    """What the sheet says of the placeholders that go by it."""
    labels: Labels = variant.labels.over(sheet.release.labels)
    number = labels.track_number
    return {
        "title": sheet.song.title,
        "artist": sheet.song.artist,
        "album": labels.album,
        "track_number": None if number is None else f"{number:02d}",
    }


@dataclass(frozen=True)
class _Named:
    """A file to be, and which variant it is of."""

    variant: Variant
    path: str


def check_file_names(sheet: Sheet) -> list[Problem]:
    """Return a problem for each pattern that lacks what it asks for or gives two files one name.

    Names that differ in capitals alone are one name on some disks.
    """
    problems = {p.span: p for variant in sheet.variants for p in _unfilled(sheet, variant)}
    if problems:
        return list(problems.values())
    taken: dict[str, _Named] = {}
    for variant in sheet.variants:
        for path in _paths(sheet, variant):
            key, named = unicodedata.normalize("NFC", path).casefold(), _Named(variant, path)
            if key in taken:
                span = _span_of(sheet, variant)
                problems.setdefault(span, _taken(taken[key], named, span))
            taken.setdefault(key, named)
    for key, named in taken.items():
        if (message := _in_the_way(key, named, taken)) is not None:
            span = _span_of(sheet, named.variant)
            problems.setdefault(span, Problem("sheet/bad-file-name", message, span))
    return list(problems.values())


def _in_the_way(key: str, named: _Named, taken: Mapping[str, _Named]) -> str | None:
    """What is wrong with a file inside something that is no folder, or is ours."""
    folders = key.split("/")
    if folders[0].startswith(OWN_NAMES) or folders[0] == MANIFEST:
        return f"{named.path} begins with a name that a delivery keeps for itself"
    for count in range(1, len(folders)):
        if (other := taken.get("/".join(folders[:count]))) is not None:
            return f"{named.path} would lie in a file of {other.variant.name}, {other.path}"
    return None


def _taken(first: _Named, second: _Named, span: Span | None) -> Problem:
    if first.variant is second.variant:
        message = f"two files of {first.variant.name} are called {second.path}"
        return Problem("sheet/same-file", f"{message}, expected a name for each", span)
    names = f"{first.variant.name} and {second.variant.name}"
    message = f"{names} both have a file called {second.path}, expected a name for each"
    return Problem("sheet/same-file", message, span, "write {variant} into file_name")


def _unfilled(sheet: Sheet, variant: Variant) -> Iterator[Problem]:
    """A placeholder that nothing stands for."""
    used = _PLACEHOLDER.findall(pattern_of(sheet, variant))
    span = _span_of(sheet, variant)
    if "stem" in used and not variant.is_split:
        message = f"file_name holds {{stem}}, but {variant.name} is one file and has no stems"
        help = "leave it out: the name of a part is added where there are parts"
        yield Problem("sheet/empty-placeholder", message, span, help)
    for name, value in _said(sheet, variant).items():
        if name in used and not value:
            message = f"file_name holds {{{name}}}, but the sheet says no {name} for {variant.name}"
            where = "song" if name == "artist" else "release"
            help = f"give {name} in {where}"
            yield Problem("sheet/empty-placeholder", message, span, help)


def _paths(sheet: Sheet, variant: Variant) -> Iterator[str]:
    rates_hz = variant.sample_rates_hz or (sheet.song.sample_rate_hz,)
    for stem in _part_names(sheet, variant):
        for rate_hz in rates_hz:
            for form in variant.formats:
                yield file_name(sheet, variant, form, rate_hz, stem)


def _part_names(sheet: Sheet, variant: Variant) -> tuple[str | None, ...]:
    """The parts that a variant may be split into; None for a variant that is one mix."""
    if variant.split_by == "track":
        return tuple(track.name for track in sheet.tracks)
    if variant.split_by == "group":
        return tuple(dict.fromkeys(track.group or track.name for track in sheet.tracks))
    return tuple(variant.stems) or (None,)


def _span_of(sheet: Sheet, variant: Variant) -> Span | None:
    if variant.file_name is None and sheet.release.file_name is not None:
        return sheet.span_of("release", "file_name")
    return sheet.span_of("variants", variant.name, "file_name")
