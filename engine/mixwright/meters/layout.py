"""Sizes and places that the meters' compiled loops share with those who ask them."""

from __future__ import annotations

import math

# How many samples on either side of a stretch the interpolation reaches into.
HALF_TAPS, QUARTER_TAPS = 24, 6
MARGIN = HALF_TAPS + QUARTER_TAPS // 2
TILE = 512  # what is worked on at a time stays in the processor's nearest cache
# A sine of half the sample rate, seen at four times the rate, shows a point at least this high.
NEAREST = math.cos(math.pi / 8.0)

# Samples at or beyond the last step of 16 bits below full scale that stand still are clipped when
# there are three in a row. Two are common at the top of an unclipped wave scaled to full scale;
# three take a full-scale tone under 42 Hz at 16 bits and 48 kHz.
CLIP_LEVEL, CLIP_RUN = 1.0 - 1.0 / 32768.0, 3

# What is kept of every hop: the columns of a meter's trace.
WEIGHTED_LEFT, WEIGHTED_RIGHT, WEIGHTED_CROSS = 0, 1, 2
PLAIN_LEFT, PLAIN_RIGHT, PLAIN_CROSS = 3, 4, 5
SUM_LEFT, SUM_RIGHT = 6, 7
SAMPLE_LEFT, SAMPLE_RIGHT, SAMPLE_AT = 8, 9, 10
TRUE_LEFT, TRUE_RIGHT, TRUE_AT = 11, 12, 13
RUNS, CLIPPED, LONGEST = 14, 15, 16
COLUMNS = 17
