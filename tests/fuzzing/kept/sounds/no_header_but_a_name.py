# A file called .au that has lost its header was played as noise, by its name alone.
# rendered and not measured
{
    "recipe": {
        "container": "AU",
        "subtype": "PCM_32",
        "rate": 192000,
        "channels": 2,
        "frames": 3000,
        "signal": "noise",
        "seed": 473,
    },
    "edits": [("extra", 1, b"JUNK", b"\x8d\xda8")],
    "name": "odd.au",
    "part": "impulse",
    "trials": ["render"],
}
