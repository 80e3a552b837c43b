"""The commands as functions, for notebooks and scripts.

>>> import mixwright
>>> sheet = mixwright.load("mix.yaml")  # doctest: +SKIP
>>> done = mixwright.render(sheet, "out/mix.wav", through="balance")  # doctest: +SKIP
>>> print(done.readings.mix.true_peak_dbtp)  # doctest: +SKIP
-6.1
"""

from mixwright.api.comparing import compare
from mixwright.api.figures import check, compare_references, inspect, log, measure
from mixwright.api.loading import load, plan, section_span
from mixwright.api.mixes import bypass, render, render_each_step
from mixwright.api.releases import deliver, deliver_album, verify
from mixwright.api.reviews import review
from mixwright.api.tidying import tidy
from mixwright.timeline import Position

__all__ = [
    "Position",
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
    "section_span",
    "tidy",
    "verify",
]
