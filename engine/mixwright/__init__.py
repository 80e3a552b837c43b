"""mixwright turns a mix sheet into a measured stereo mix.

>>> import mixwright
>>> sheet = mixwright.load("mix.yaml")  # doctest: +SKIP
>>> mixwright.render(sheet, "out/mix.wav").readings.mix.integrated_lufs  # doctest: +SKIP
-16.2

Whatever is wrong is told at once, by a `mixwright.problem.ProblemError`. The verbs:

- A sheet: `load` reads it, `tidy` puts it in order, `plan` works out a render, `inspect` looks at
  the tracks.
- A mix: `render`, `render_each_step` and `bypass` write files; `measure`, `check`, `log` and
  `compare_references` say what there is to say of it; `review` writes a page to listen and read by.
- Two versions: `compare`.
- A release: `deliver` and `deliver_album` make its files, `verify` holds them to their manifest.

`Position` is a place in a song, by bar and beat.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from mixwright.version import __version__

__all__ = [
    "Position",
    "__version__",
    "bypass",
    "check",
    "compare",
    "compare_references",
    "deliver",
    "deliver_album",
    "inspect",
    "load",
    "log",
    "measure",
    "plan",
    "render",
    "render_each_step",
    "review",
    "tidy",
    "verify",
]

if TYPE_CHECKING:
    from mixwright.api import (
        bypass,
        check,
        compare,
        compare_references,
        deliver,
        deliver_album,
        inspect,
        load,
        log,
        measure,
        plan,
        render,
        render_each_step,
        review,
        tidy,
        verify,
    )
    from mixwright.timeline import Position


def __dir__() -> list[str]:
    """The public names: for completion, and for `help`, which imports what they stand for."""
    return sorted({*__all__, *(name for name in globals() if name.startswith("__"))})


def __getattr__(name: str) -> Any:
    """Import the verbs only when they are used, so that ``import mixwright`` stays quick."""
    if name in __all__:
        from mixwright import api

        return getattr(api, name)
    raise AttributeError(f"module 'mixwright' has no attribute {name!r}")
