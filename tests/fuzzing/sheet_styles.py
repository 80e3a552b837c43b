"""Values as the text of a sheet, in any style of YAML or as JSON, sound or not."""

from __future__ import annotations

import json
import random
import re
from typing import Any

from mixwright.sheet.tidy_words import fits_plain, quoted
from scribbled_sheets import Scribbler

# Before a key: it stands there again, though another is called the same.
AGAIN = "\ue000"
# Before a text: it is written as it is, whatever YAML makes of it.
RAW = "\ue001"
_LINE_ENDS = ("\r", "\x0b", "\x0c", "\x1c", "\x1d", "\x1e", "\x85", "\u2028", "\u2029")


class Styles(Scribbler):
    """A scribbler that knows more: nothing, numbers that are none, texts to be left as they are."""

    def word(self, value: Any, in_flow: bool) -> str:
        """A value on one line."""
        if value is None:
            return self.dice.choice(("null", "~"))
        if isinstance(value, str) and value.startswith(RAW):
            return value.removeprefix(RAW)
        if isinstance(value, str) and any(end in value for end in (*_LINE_ENDS, "\t")):
            return quoted(value)
        if isinstance(value, float) and round(value, 3) != value:
            return repr(value)
        return super().word(value, in_flow)

    def block(self, value: Any, indent: int) -> str:
        """A value after its key or dash."""
        if isinstance(value, str) and any(end in value for end in (*_LINE_ENDS, "\t")):
            return f" {self.word(value, False)}{self.beside()}\n"
        return super().block(value, indent)


def as_yaml(sheet: dict[str, Any], dice: random.Random) -> str:
    """The text of a sheet in any style, or the plainest one."""
    styles = Styles(dice)
    written = with_keys_written(sheet)
    return "".join(f"{key}:{styles.block(written[key], 0)}" for key in styles.keys(written))


def with_keys_written(value: Any) -> Any:
    """The same value with each key as it is written."""
    if isinstance(value, dict):
        return {_key_text(key): with_keys_written(item) for key, item in value.items()}
    return [with_keys_written(item) for item in value] if isinstance(value, list) else value


def _key_text(key: str) -> str:
    if key.startswith(RAW):
        return key.removeprefix(RAW)
    plain = key.removeprefix(AGAIN)
    text = plain if fits_plain(plain, True) else quoted(plain)
    # A space before the colon makes no other key.
    return text if plain == key else f"{text} "


def as_json(sheet: Any, dice: random.Random) -> str:
    """The sheet as JSON, which is YAML too but for one thing: letters as two halves.

    Other letters may be escaped.
    """
    written = json.dumps(sheet, indent=dice.choice((None, 1, 2, 4)), ensure_ascii=False)
    if dice.random() < 0.5:
        return written
    return re.sub("[\x80-\uffff]", lambda found: f"\\u{ord(found[0]):04x}", written)
