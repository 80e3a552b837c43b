# A picture that was being drawn lay half there under its name.
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
    "job": "plot",
    "at": [("call", 0.5), ("call", 0.8), ("call", 0.9)],
}
