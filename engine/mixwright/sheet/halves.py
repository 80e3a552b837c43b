r"""Characters written as two escapes, as JSON does beyond the basic plane: ``"\ud83c\udf9a"``.

JSON is YAML but for these (RFC 8259, section 7: a UTF-16 surrogate pair). The quick parser refuses
each half; the plain one reads them as they are, and here they are put together.
"""

from __future__ import annotations

import re
from typing import Any

import yaml

QUICK: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
_ESCAPED_HALF = re.compile(r"\\(?:u|U0000)[dD][89a-fA-F]")
_HALF = re.compile("[\ud800-\udfff]")
_PAIR = re.compile("[\ud800-\udbff][\udc00-\udfff]")
_ESCAPE = re.compile(r"\\(?:u([0-9A-Fa-f]{4})|U0000([0-9A-Fa-f]{4})|.)", re.S)


def parser_for(text: str) -> Any:
    """Return the class of the parser that can read a text: the quick one for nearly every text."""
    return yaml.SafeLoader if _ESCAPED_HALF.search(text) else QUICK


def whole(text: str) -> str:
    r"""Return text with each pair of halves as the one character that it stands for.

    >>> whole("\ud83c\udf9a fader") == "\U0001f39a fader"
    True
    """
    if not _HALF.search(text):
        return text
    return _PAIR.sub(lambda pair: pair[0].encode("utf-16", "surrogatepass").decode("utf-16"), text)


def has_lone_half(text: str) -> bool:
    """Whether half a character is left in a text whose pairs are put together."""
    return _HALF.search(text) is not None


def lone_half_at(written: str) -> tuple[int, str]:
    r"""Return where a half without its other half is escaped in a text as it is written, and which.

    >>> lone_half_at(r'"\ud83c\udf9a \\ud83c \udf9a"')
    (22, '\\udf9a')
    """
    found = [one for one in _ESCAPE.finditer(written) if _is_half(one)]
    index = 0
    while index < len(found):
        here, after = found[index], found[index + 1] if index + 1 < len(found) else None
        is_pair = after is not None and after.start() == here.end()
        if is_pair and after and _PAIR.fullmatch(_character(here) + _character(after)):
            index += 2
            continue
        return here.start(), here[0]
    return 0, written[:1]


def _is_half(escape: re.Match[str]) -> bool:
    return bool(escape[1] or escape[2]) and _HALF.match(_character(escape)) is not None


def _character(escape: re.Match[str]) -> str:
    return chr(int(escape[1] or escape[2], 16))
