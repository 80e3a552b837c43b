# Samples that begin inside the header: another sound once the library has jumped.
{
    "recipe": {
        "container": "AU",
        "subtype": "DOUBLE",
        "rate": 192000,
        "channels": 1,
        "frames": 20000,
        "signal": "noise",
        "seed": 0,
    },
    "edits": [("put", 0, 4, b"\x00\x00\x00\r")],
    "name": "odd.flac",
    "part": "track",
    "trials": ["render"],
}
