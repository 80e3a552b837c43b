"""One way to write each number, word and text of a sheet."""

from __future__ import annotations

import re
from decimal import Decimal

import yaml

from mixwright.sheet.tree import plain_value

# What YAML reads as the beginning of something else, or as the end of an unquoted text.
_NO_START = re.compile(r"[\s,\[\]{}#&*!|>'\"%@`]|[-?:](?:\s|$)|---|\.\.\.")
_NO_START_IN_BRACKETS = re.compile(r"[?:]|-[,\[\]{}]")
_ENDS_TEXT = re.compile(r":(?:\s|$)|\s#|\s$")
# Not every parser lets an unquoted text between brackets hold a question mark.
_ENDS_TEXT_IN_BRACKETS = re.compile(r"[,?\[\]{}]")
# Line ends, and what may not stand in a sheet as it is (see :mod:`mixwright.sheet.text`); what
# turns writing round or has no width is not put into a sheet where nobody sees it.
_CONTROL = (
    r"[\u200b\u2028-\u202e\u2060-\u2069\ufeff]"
    r"|[^\x20-\x7e\xa0-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]"
)
_CONTROLS = re.compile(_CONTROL)
_NEEDS_ESCAPE = re.compile(rf'[\\"]|{_CONTROL}')
_ESCAPES = {"\\": "\\\\", '"': '\\"', "\n": "\\n", "\t": "\\t", "\r": "\\r"}
# YAML 1.2 reads this as a number; the resolvers we ask are those of YAML 1.1.
_OCTAL = re.compile(r"0o[0-7]+")
# Outside of these a number is easier to read with an exponent than with its zeros.
_SMALLEST, _LARGEST = 1e-9, 1e16


def number_text(text: str) -> str:
    """Return the shortest way to write an unquoted number; what had a point keeps one.

    A whole number with an exponent loses both, since the exponent only stood for zeros.

    >>> [number_text(text) for text in ("-4.50", "1.0", ".5", "+3", "1e3", "2.5e-4")]
    ['-4.5', '1.0', '0.5', '3', '1000', '0.00025']
    """
    if not re.search(r"[.eE]", text):
        return str(int(text))
    value = float(text) + 0.0  # minus zero is zero
    if value and not _SMALLEST <= abs(value) < _LARGEST:
        return _with_exponent(value)
    if value.is_integer() and re.search(r"[eE]", text):
        return str(int(value))
    shortest = format(Decimal(repr(value)), "f")
    return shortest if "." in shortest else f"{shortest}.0"


def written_number(value: float) -> str:
    """Return a number as a person writes it: twelve digits at most, so that none is dust.

    >>> [written_number(value) for value in (0.1 + 0.2, 1e-05, -4.50, 3.0)]
    ['0.3', '0.00001', '-4.5', '3']
    """
    if isinstance(value, int):
        return str(value)
    return number_text(repr(float(f"{value:.12g}"))).removesuffix(".0")


def _with_exponent(value: float) -> str:
    # With a point, as YAML 1.1 asks of a number with an exponent.
    digits, _, exponent = repr(value).partition("e")
    return f"{digits if '.' in digits else digits + '.0'}e{int(exponent):+d}"


def value_text(text: str, was_plain: bool, in_brackets: bool) -> str:
    """Return a value as it is to be written; `in_brackets` is within ``{}`` or ``[]``.

    >>> value_text("+3", True, False), value_text("3", False, False)
    ('3', '"3"')
    >>> value_text("box of the booth", False, True), value_text("low, then high", True, True)
    ('box of the booth', '"low, then high"')
    """
    if was_plain and not isinstance(plain := plain_value(text), str):
        return text if plain is None or isinstance(plain, bool) else number_text(text)
    is_text = isinstance(plain_value(text), str)
    return key_text(text, was_plain, in_brackets) if is_text else quoted(text)


def key_text(text: str, was_plain: bool, in_brackets: bool) -> str:
    """Return a key as it is to be written: a key is text, whatever it looks like.

    >>> key_text("sends_db.hall", False, False), key_text("8000", True, True)
    ('sends_db.hall', '8000')
    """
    keeps_quotes = not was_plain and read_otherwise(text)
    return quoted(text) if keeps_quotes or not fits_plain(text, in_brackets) else text


def fits_plain(text: str, in_brackets: bool) -> bool:
    """Whether a text without quotes is read as itself, and as text up to its end.

    >>> fits_plain("kick, then snare", False), fits_plain("kick, then snare", True)
    (True, False)
    """
    if not text or _NO_START.match(text) or _ENDS_TEXT.search(text) or _CONTROLS.search(text):
        return False
    stops = _NO_START_IN_BRACKETS.match(text) or _ENDS_TEXT_IN_BRACKETS.search(text)
    return not (in_brackets and stops)


def read_otherwise(text: str) -> bool:
    """Whether other readers of YAML take the text without quotes for something else.

    >>> [read_otherwise(text) for text in ("yes", "12:30", "2024-05-01", "verse 1")]
    [True, True, True, False]
    """
    resolvers = yaml.SafeLoader.yaml_implicit_resolvers
    candidates = resolvers.get(text[:1], []) + resolvers.get(None, [])
    return bool(_OCTAL.fullmatch(text)) or any(form.match(text) for _, form in candidates)


def quoted(text: str) -> str:
    r"""Return a text in double quotes, on one line.

    >>> print(quoted('the "room", take 2'))
    "the \"room\", take 2"
    """
    return '"' + _NEEDS_ESCAPE.sub(_escaped, text) + '"'


def _escaped(found: re.Match[str]) -> str:
    character = found.group()
    return _ESCAPES.get(character) or f"\\u{ord(character):04X}"
