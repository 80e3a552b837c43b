# A tag whose pages are gone.
{
    "recipe": {
        "container": "OGG",
        "subtype": "VORBIS",
        "rate": 48000,
        "channels": 1,
        "frames": 0,
        "signal": "silence",
        "seed": 0,
    },
    "edits": [
        (
            "extra",
            1,
            b"\x04",
            b"\x00\x00\x00\x80abc\x00\x00\x00\x80\xff\xff\xff\xffTITLE=Lanterns at Low Tide",
        )
    ],
    "name": "odd.ogg",
    "part": "impulse",
    "trials": ["inspect"],
}
