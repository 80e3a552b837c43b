# Told as "System error.": the sound library gives no reason.
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
    "job": "render",
    "befalls": [{"kind": "longest", "bytes": 120000}],
    "mounted": [],
}
