"""Comparing by ear: the mix after each step, and a part of a track with and without."""
