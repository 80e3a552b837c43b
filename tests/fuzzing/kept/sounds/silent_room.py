# A recorded room of silence was refused, and the stems stayed open: the collector complained.
# a traceback
{
    "recipe": {
        "container": "AU",
        "subtype": "DOUBLE",
        "rate": 96000,
        "channels": 2,
        "frames": 20000,
        "signal": "silence",
        "seed": 430,
    },
    "edits": [],
    "name": "odd.au",
    "part": "impulse",
    "trials": ["render"],
}
