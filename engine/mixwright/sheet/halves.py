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
_ESCAPED = r"\\(?:u|U0000)[dD]"
# A whole pair first, so that what is left of the others has no partner.
_ESCAPE = re.compile(
    rf"{_ESCAPED}[89abAB][0-9a-fA-F]{{2}}{_ESCAPED}[c-fC-F][0-9a-fA-F]{{2}}"
    rf"|(?P<half>{_ESCAPED}[89a-fA-F][0-9a-fA-F]{{2}})|\\.",
    re.S,
)


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
    halves = (found for found in _ESCAPE.finditer(written) if found["half"])
    return next(((found.start(), found[0]) for found in halves), (0, written[:1]))
