"""The list of third-party plug-ins on this machine: a name for each, and where it lies.

A sheet names a plug-in, never a path: what is installed where is the machine's affair. The list is
a YAML mapping, one line for each plug-in::

    old_tape: /usr/local/lib/plugins/old_tape.vst3
"""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from difflib import get_close_matches
from pathlib import Path

import yaml

from mixwright.places import config_folder
from mixwright.problem import Fault, Problem, ProblemError, Span

EXAMPLE = "old_tape: /usr/local/lib/plugins/old_tape.vst3"
# The same as in the schema of a mix sheet.
NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]*")


def plugin_list_path() -> Path:
    """Return where the list is: $MIXWRIGHT_PLUGINS, else in the user's configuration.

    That is ``mixwright/plugins.yaml`` in $XDG_CONFIG_HOME, by default ``~/.config``. A relative
    $XDG_CONFIG_HOME is passed over, as its specification asks. ProblemError for a user without a
    home who names no other place.
    """
    named = os.environ.get("MIXWRIGHT_PLUGINS")
    try:
        folder = Path(named).expanduser() if named else config_folder()
    except RuntimeError as error:
        message = f"there is no list of plug-ins at {named}: no home is known for that user"
        raise ProblemError([_problem("no-home", message, None)]) from error
    if folder is None:
        message = "there is no list of plug-ins: this user has no home folder"
        raise ProblemError([_problem("no-home", message, None, "name one in $MIXWRIGHT_PLUGINS")])
    return folder if named else folder / "plugins.yaml"


def read_plugin_list(path: Path) -> dict[str, Path]:
    """Return the plug-ins by name; ProblemError with every fault of the list, each at its place.

    >>> read_plugin_list(Path("/nowhere/plugins.yaml"))
    Traceback (most recent call last):
    ...
    mixwright.problem.ProblemError: error: there is no list of plug-ins at /nowhere/plugins.yaml \
(help: make it with a line for each, such as old_tape: /usr/local/lib/plugins/old_tape.vst3, or \
name another in $MIXWRIGHT_PLUGINS)
    """
    root = _composed(path)
    if root is None:
        return {}
    if not isinstance(root, yaml.MappingNode):
        message = "a list of plug-ins is a mapping of names to paths"
        raise ProblemError([_problem("shape", message, _span(path, root), f"such as {EXAMPLE}")])
    found: dict[str, Path] = {}
    problems: list[Problem] = []
    for key, value in root.value:
        problem = _wrong_name(path, key, found) or _wrong_path(path, key, value)
        if problem is not None:
            problems.append(problem)
        elif key.value not in found:
            found[key.value] = Path(value.value)
    if problems:
        raise ProblemError(problems)
    return found


def unknown_plugin(plugin: str, plugins: Mapping[str, Path], path: Path) -> Problem:
    """Return the problem of a name that the list at `path` doesn't have.

    >>> print(unknown_plugin("old_tap", {"old_tape": Path("/x")}, Path("/etc/plugins.yaml")))
    error: there is no plug-in old_tap in /etc/plugins.yaml (help: one with a similar name is \
there: old_tape)
    """
    near = get_close_matches(plugin.casefold(), {name.casefold(): name for name in plugins}, n=1)
    if near:
        original = next(name for name in plugins if name.casefold() == near[0])
        hint = f"one with a similar name is there: {original}"
    elif plugins and len(plugins) <= 12:
        hint = f"there are {', '.join(sorted(plugins))}; add a line such as {plugin}: /path/to/it"
    else:
        hint = f"add a line such as {plugin}: /path/to/it"
    return _problem("unknown", f"there is no plug-in {plugin} in {path}", None, hint)


def _composed(path: Path) -> yaml.Node | None:
    """The YAML as nodes with their places; None for a file of nothing but comments."""
    try:
        text = path.read_bytes().decode("utf-8-sig")
        return yaml.compose(text, Loader=yaml.SafeLoader)
    except FileNotFoundError as error:
        message = f"there is no list of plug-ins at {path}"
        hint = f"make it with a line for each, such as {EXAMPLE}, or name another in "
        problem = _problem("no-list", message, None, hint + "$MIXWRIGHT_PLUGINS")
        raise ProblemError([problem]) from error
    except UnicodeDecodeError as error:
        problem = _problem("encoding", f"{path} is not UTF-8 text", None)
        raise ProblemError([problem]) from error
    except OSError as error:
        message = f"the list of plug-ins {path} can't be read: {error.strerror}"
        problem = Problem("plugins/unreadable", message, fault=Fault.MACHINE)
        raise ProblemError([problem]) from error
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        place = Span(str(path), mark.line + 1, mark.column + 1) if mark else None
        message = f"not valid YAML: {error.problem or error.context}"
        raise ProblemError([_problem("yaml", message, place)]) from error
    except yaml.YAMLError as error:
        # Characters that YAML doesn't allow: this error has no line.
        message = f"{path} is not valid YAML: {str(error).splitlines()[0]}"
        raise ProblemError([_problem("yaml", message, None)]) from error


def _wrong_name(path: Path, key: yaml.Node, found: Mapping[str, Path]) -> Problem | None:
    place = _span(path, key)
    if not isinstance(key, yaml.ScalarNode) or not NAME.fullmatch(key.value):
        message = "a plug-in's name has letters, digits, _ and -, and no other characters"
        return _problem("name", message, place)
    if not key.tag.endswith(":str"):
        message = f"YAML takes the name {key.value} for something other than text"
        return _problem("name", message, place, f'put it in quotes: "{key.value}"')
    if key.value in found:
        return _problem("twice", f"the plug-in {key.value} is listed twice", place)
    return None


def _wrong_path(path: Path, key: yaml.ScalarNode, value: yaml.Node) -> Problem | None:
    place = _span(path, value)
    if not isinstance(value, yaml.ScalarNode) or not value.tag.endswith(":str"):
        message = f"the plug-in {key.value} has no path, expected text"
        return _problem("path", message, place, f"such as {EXAMPLE}")
    if not Path(value.value).is_absolute():
        message = f"the path of the plug-in {key.value} is relative, expected an absolute one"
        return _problem("path", message, place, f"such as {EXAMPLE}")
    if not Path(value.value).exists():
        message = f"the plug-in {key.value} is not at {value.value}"
        return _problem("missing", message, place, "correct the path or remove the line")
    return None


def _span(path: Path, node: yaml.Node) -> Span:
    """The place of a node, no further than the end of its first line."""
    start, end = node.start_mark, node.end_mark
    length = end.column - start.column if end.line == start.line else 1
    return Span(str(path), start.line + 1, start.column + 1, max(1, length))


def _problem(rule: str, message: str, place: Span | None, help: str | None = None) -> Problem:
    return Problem(f"plugins/{rule}", message, place, help)
