"""What a review page calls things."""

from __future__ import annotations

from mixwright.reviewing.data import SourceKind, Standing, State

STATES: dict[State | Standing, tuple[str, str]] = {
    "holds": ("✓", "holds"),
    "accepted": ("✓", "accepted"),
    "look": ("○", "worth a look"),
    "fails": ("✕", "fails"),
    "idle": ("·", "nothing to judge"),
    "note": ("·", "note"),
}
"""A sign and a word for each: colour only repeats them."""

KINDS: dict[SourceKind, str] = {
    "step": "step",
    "previous": "previous version",
    "mix": "finished mix",
    "variant": "variant",
    "reference": "reference",
}
