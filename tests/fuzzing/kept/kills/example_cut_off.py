# The example's sheet lay empty under its name; with one of its folders in place and the other
# not, it was refused for ever.
{
    "song": {
        "seed": 637,
        "title": "a: b",
        "seconds": 1.94,
        "lead_rate_hz": 48000,
        "kick_db": -15.5,
        "lead_db": -12.0,
        "main": "wav24",
        "other": "wav16",
    },
    "job": "demo, first",
    "at": [("call", 0.001), ("call", 0.004), ("call", 0.006), ("call", 0.01), ("call", 0.015)],
}
