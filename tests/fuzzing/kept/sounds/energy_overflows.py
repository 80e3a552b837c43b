# Samples of 1e300 have no energy that a number can hold.
# measure: error: mixwright itself failed (RuntimeWarning: invalid value encountered in add)
{
    "recipe": {
        "container": "WAV",
        "subtype": "DOUBLE",
        "rate": 48000,
        "channels": 2,
        "frames": 3000,
        "signal": "huge",
        "seed": 0,
    },
    "edits": [],
    "name": "odd.wav",
    "part": "track",
    "trials": ["render", "inspect"],
}
