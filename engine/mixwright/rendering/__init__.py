"""From a sheet to sound: the plan, level matching, the one loop, the file."""

from mixwright.rendering.plan import Plan, make_plan, probe_stems
from mixwright.rendering.run import Readings, Rendered, TrackReadings, render_plan

__all__ = [
    "Plan",
    "Readings",
    "Rendered",
    "TrackReadings",
    "make_plan",
    "probe_stems",
    "render_plan",
]
