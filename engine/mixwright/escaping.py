"""Text from outside, escaped for whatever shows it: terminal, JSON, Markdown, HTML, build logs.

Names and texts may hold what steers a terminal, turns writing round or means something where they
are written. :func:`visible` and :func:`one_line` say how they are shown to people, wherever that
is; data for machines keeps them as they are (:func:`json_text`).
"""

from __future__ import annotations

import dataclasses
import html
import json
import math
import re
from collections.abc import Mapping
from enum import Enum
from pathlib import Path
from typing import Any

# Joiners of letters and of pictures: not printable by themselves, yet parts of words.
_JOINERS = "\u200c\u200d"
# An ideographic space is as wide as its letters: it can be seen.
_SPACES = " \u3000"
# Blank though they count as letters: fillers of Hangul, an empty pattern of Braille.
_BLANKS = "\u115f\u1160\u2800\u3164\uffa0"

_LONGEST_WORD = 120  # in characters


def visible(text: str, kept: str = "") -> str:
    r"""Return text in which everything can be seen: what can't is spelt out as an escape.

    That is what steers a terminal, turns the direction of writing, has no width, parts lines, is a
    space but looks like another one, or is a byte of a file's name that is not UTF-8. Letters of
    all kinds stay, with their marks, and so do pictures. `kept` are characters to leave alone.

    >>> print(visible("low\x1b[2J \u202etide\n \udcff \U0001f39a"))
    low\x1b[2J \u202etide\n \udcff \U0001f39a
    """
    if text.isascii() and text.isprintable():
        return text
    return "".join(
        c if c in kept or _is_seen(text, at, c) else _spelt(c) for at, c in enumerate(text)
    )


def one_line(text: str) -> str:
    r"""Return text on one line, as :func:`visible` has it; line breaks and blanks become one blank.

    >>> one_line("low\ntide \x1b[31m")
    'low tide \\x1b[31m'
    """
    return visible(" ".join(text.split()))


def _is_seen(text: str, at: int, character: str) -> bool:
    if character in _JOINERS:
        # A joiner between letters of a script that joins, or of a picture; nothing else needs one.
        around = text[at - 1 : at] + text[at + 1 : at + 2]
        return len(around) == 2 and not around.isascii() and around.isprintable()
    if character in _SPACES:
        return True
    return character.isprintable() and character not in _BLANKS


def _spelt(character: str) -> str:
    return character.encode("unicode_escape").decode("ascii")


def shortened(text: str, most: int) -> str:
    """Return a text of at most `most` characters: long words are cut first, then its end.

    >>> shortened("there is no file " + 200 * "x", 30)
    'there is no file xxxxxxxxx ...'
    """
    if len(text) <= most:
        return text
    # What is behind a long name may say what is wrong with it.
    text = " ".join(map(_cut_word, text.split(" ")))
    return text if len(text) <= most else f"{text[: most - 4]} ..."


def _cut_word(word: str) -> str:
    """A word without its end, if it is a long one; what ends a part of a sentence stays."""
    if len(word) <= _LONGEST_WORD:
        return word
    return f"{word[:_LONGEST_WORD]}...{word[-1] if word[-1] in ',:;)' else ''}"


# ---- data for machines ----


def plain_data(value: Any, decimals: int | None = None) -> Any:
    """Return frozen parts of any kind as plain data that JSON can hold, field by field.

    Paths and words of an Enum become text, tuples lists; what is no finite number is None. Numbers
    are rounded where `decimals` are given. What has an `as_data` of its own says that.

    >>> plain_data({"file": Path("a.wav"), "levels_db": (-3.0, -math.inf)})
    {'file': 'a.wav', 'levels_db': [-3.0, None]}
    """
    if isinstance(value, float):  # numpy's too
        whole = float(value) if math.isfinite(value) else None
        return whole if whole is None or decimals is None else round(whole, decimals)
    if hasattr(value, "as_data"):
        return plain_data(value.as_data(), decimals)
    if hasattr(value, "item"):  # any other number of numpy's
        return value.item()
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        parts = dataclasses.fields(value)
        return {part.name: plain_data(getattr(value, part.name), decimals) for part in parts}
    if isinstance(value, Mapping):
        return {str(key): plain_data(one, decimals) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [plain_data(one, decimals) for one in value]
    if isinstance(value, Enum | Path):
        return value.value if isinstance(value, Enum) else str(value)
    return value


def json_text(data: Any, indent: int | None = 2) -> str:
    r"""Return plain data as JSON; read again, every text in it is as it was.

    What can't be seen (:func:`visible`) is written as JSON's own escape, so that it steers no
    terminal and keeps no file from being written. Raises ValueError for what is not finite.

    >>> print(json_text({"title": "low \x9b tide\udcff"}, indent=None))
    {"title": "low \u009b tide\udcff"}
    """
    text = json.dumps(data, indent=indent, ensure_ascii=False, allow_nan=False)
    if text.isascii() and "\x7f" not in text:
        return text
    return "".join(
        c if c == "\n" or _is_seen(text, at, c) else json.dumps(c)[1:-1].replace("\x7f", "\\u007f")
        for at, c in enumerate(text)
    )


def script_json(data: Any) -> str:
    r"""Return plain data as JSON that is safe inside a script element of a page.

    Nothing in it ends the element or begins a comment: ``<``, ``>``, ``&`` and all that isn't ASCII
    are spelt out. Raises ValueError for what is not finite.

    >>> script_json({"title": "<script>"})
    '{"title":"\\u003cscript\\u003e"}'
    """
    text = json.dumps(data, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    return re.sub("[<>&]", lambda found: f"\\u{ord(found[0]):04x}", text)


# ---- pages ----

# A mark of Markdown is escaped by a backslash (CommonMark 0.31.2, 2.4), `&` as what it stands for.
_MARKS = re.compile(r"[\\`*_{}\[\]|~$]")
# What hosts link by themselves even where it is escaped: names, numbers of issues, addresses. A
# comment that shows nothing stands between what would have to stand together.
_LINKED = re.compile(r"[@#]|://|www\.", re.I)


def html_text(text: str) -> str:
    """Return text as HTML that shows it as it is, on one line.

    >>> html_text("<b> & 'co'")
    '&lt;b&gt; &amp; &#x27;co&#x27;'
    """
    return html.escape(one_line(text))


def markdown_text(text: str, most: int | None = None) -> str:
    r"""Return text as Markdown that shows it as it is, on one line and without links.

    Fit for the inside of a line or of a table's cell: at the beginning of a line it could still
    begin a list. Shortened to so many characters if `most` is given.

    >>> markdown_text("<b> | `guitar_left`")
    '&lt;b&gt; \\| \\`guitar\\_left\\`'
    """
    text = one_line(text)
    if most is not None and len(text) > most:
        text = text[: most - 1] + "…"
    text = _MARKS.sub(r"\\\g<0>", html.escape(text, quote=False))
    return _LINKED.sub(lambda found: f"{found[0][0]}<!-- -->{found[0][1:]}", text)


def markdown_code(text: str) -> str:
    """Return text as a span of code in Markdown, whatever backticks are in it.

    >>> markdown_code("mix.yaml:12")
    '`mix.yaml:12`'
    """
    text = one_line(text)
    longest = max((len(run) for run in re.findall(r"`+", text)), default=0)
    fence = "`" * (longest + 1)
    # A blank is taken off either end of code that has one at both (CommonMark 0.31.2, 6.1).
    pad = " " if longest else ""
    return f"{fence}{pad}{text}{pad}{fence}"


# ---- workflow commands of builds ----


def workflow_data(text: str) -> str:
    r"""Return text as the message of a workflow command; its lines stay lines.

    >>> workflow_data("40 % heard\nhelp: raise it")
    '40 %25 heard%0Ahelp: raise it'
    """
    return text.replace("%", "%25").replace("\r", "%0D").replace("\n", "%0A")


def workflow_property(text: str) -> str:
    """Return text as a property of a workflow command.

    >>> workflow_property("take 2, loud: mix.yaml")
    'take 2%2C loud%3A mix.yaml'
    """
    return workflow_data(text).replace(":", "%3A").replace(",", "%2C")
