"""The chapters of docs/sound.md, one file each: what is measured, its limits and its pictures.

A chapter is a module with a function ``chapter(pictures)`` that returns a
:class:`sound_figures.page.Chapter`. Every number in it is measured when that function runs.
"""

from __future__ import annotations

CHAPTERS = (
    "filters",
    "moving",
    "dynamics",
    "limiter",
    "rooms",
    "delays",
    "inserts",
    "automation",
    "level",
    "resampling",
)
