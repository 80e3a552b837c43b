"""A rule's page: its docstring taken apart into title, body, source and examples in YAML.

The form, each part after a blank line: the fault in a plain sentence on the first line; what is
measured (``Measures ...``, or ``Looks at ...`` where nothing is); ``Why it matters: ...`` and
whatever else belongs to the body; ``Source: ...``; then the changes to a clean song that still hold
(``Holds:``, may be left out) and those that make the rule fire (``Fails:``), both followed by
indented YAML.
"""

from __future__ import annotations

import inspect
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from mixwright.checks.rule import Rule
from mixwright.problem import ProblemError
from mixwright.sheet.text import SheetText
from mixwright.sheet.tree import read_tree

WHY, SOURCE = "Why it matters:", "Source:"
_MEASURES = re.compile(r"(Measures|Looks at)\b")
_BLOCK = re.compile(r"(Holds|Fails):((?:\n+ +.*)*)\n*")


@dataclass(frozen=True)
class RulePage:
    """What a rule's docstring says.

    `title` is the fault in one sentence; `body` the paragraphs on what is measured and why it
    matters, a blank line between them and none broken but for items of lists; `holds` and `fails`
    are changes to a clean sheet: mappings merge key by key, null deletes a key, lists replace.
    """

    title: str
    body: str
    source: str
    holds: dict[str, Any] | None
    fails: dict[str, Any]


def page_of(rule: Rule) -> RulePage:
    """Return a rule's page.

    Raises ValueError, with the rule's id, for a part that is missing, empty, there twice, in
    another place or not YAML.

    >>> from mixwright.checks.rules import rule_by_id
    >>> page = page_of(rule_by_id("balance/headroom-short"))
    >>> page.title, page.fails["tracks"]["kick"], page.holds is None
    ('The balance peaks too high.', {'gain_db': 6}, True)
    """

    def wrong(what: str) -> ValueError:
        return ValueError(f"the page of {rule.id} {what}")

    words, blocks = _blocks(inspect.cleandoc(rule.page), wrong)
    title, *paragraphs = [_flowing(part) for part in re.split(r"\n\s*\n", words) if part.strip()]
    if "\n" in words.partition("\n\n")[0].strip() or not title.endswith("."):
        raise wrong("begins with no sentence on one line, expected the fault in plain words")
    if not any(_MEASURES.match(part) for part in paragraphs):
        raise wrong("has no paragraph 'Measures ...' or 'Looks at ...'")
    if not any(part.startswith(f"{WHY} ") for part in paragraphs):
        raise wrong(f"has no paragraph '{WHY} ...'")
    sources = [part for part in paragraphs if part.startswith(f"{SOURCE} ")]
    if len(sources) != 1 or paragraphs[-1] != sources[0]:
        raise wrong(f"has no paragraph '{SOURCE} ...' as the last one before its examples")
    return RulePage(
        title=title,
        body="\n\n".join(paragraphs[:-1]),
        source=sources[0].removeprefix(SOURCE).strip(),
        holds=blocks.get("Holds"),
        fails=blocks["Fails"],
    )


def _blocks(page: str, wrong: Callable[[str], ValueError]) -> tuple[str, dict[str, Any]]:
    """Return the words before the examples, and each example by its heading."""
    start = re.search(r"^(Holds|Fails):", page, re.M)
    words, rest = (page[: start.start()], page[start.start() :]) if start else (page, "")
    if not words.strip():
        raise wrong("has no words")
    blocks: dict[str, Any] = {}
    while rest:
        found = _BLOCK.match(rest)
        if found is None:
            raise wrong(f"goes on after its examples: {rest.splitlines()[0]!r}")
        heading, text = found.groups()
        if heading in blocks:
            raise wrong(f"has '{heading}:' twice")
        blocks[heading] = _changes(text, heading, wrong)
        rest = rest[found.end() :]
    if "Fails" not in blocks:
        raise wrong("has no block 'Fails:'")
    return words, blocks


def _changes(text: str, heading: str, wrong: Callable[[str], ValueError]) -> dict[str, Any]:
    """Read changes as a sheet is read: `off` is a word there, not false."""
    text = inspect.cleandoc(text)
    if not text:
        raise wrong(f"has nothing under '{heading}:'")
    try:
        value = read_tree(SheetText("example", text, tuple(text.splitlines()))).value
    except ProblemError as error:
        said = error.problems[0].message
        raise wrong(f"has no sound YAML under '{heading}:' ({said})") from error
    if not isinstance(value, dict):
        raise wrong(f"has no mapping of changes under '{heading}:'")
    return value


def _flowing(paragraph: str) -> str:
    """Join the lines of a paragraph; an item of a list keeps a line of its own."""
    return re.sub(r"\s*\n\s*(?!- )", " ", paragraph.strip())
