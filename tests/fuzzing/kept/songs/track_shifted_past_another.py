# Two tracks that were tried at a shift longer than one of them: inspect ended with 70.
{
    "sheet": {
        "format": 1,
        "song": {"title": "T", "sample_rate_hz": 88200},
        "tracks": {
            "0x1F": {"file": "stems/voice_1.wav", "polarity": "normal"},
            "lead_vocal": {"file": "stems/kick.wav"},
            "1e3": {"file": "12", "polarity": "invert"},
            "on": {"file": "stems/überfall_ß 2.wav"},
            "a-b_c": {"file": "keys.wav"},
            "bass": {"file": "stems/bass guitar.wav", "offset_ms": 220.0, "trim_db": -60},
        },
    },
    "sounds": 909712,
    "laws": ["looked at"],
}
