"""mixwright turns a mix sheet into a measured stereo mix.

>>> import mixwright
>>> sheet = mixwright.load("mix.yaml")  # doctest: +SKIP
>>> mixwright.render(sheet, "out/mix.wav").readings.mix.integrated_lufs  # doctest: +SKIP
-16.2
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


def __getattr__(name: str) -> Any:
    """Import the verbs only when they are used, so that ``import mixwright`` stays quick."""
    if name in __all__:
        from mixwright import api

        return getattr(api, name)
    raise AttributeError(f"module 'mixwright' has no attribute {name!r}")
