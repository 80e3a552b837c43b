# One file with an infinity, and the whole folder was refused.
# inspect refuses a folder for one of its files
{
    "recipe": {
        "container": "WAVEX",
        "subtype": "FLOAT",
        "rate": 48000,
        "channels": 1,
        "frames": 2,
        "signal": "minus_inf",
        "seed": 0,
    },
    "edits": [],
    "name": "odd.wav",
    "part": "track",
    "trials": ["inspect"],
}
