# the ID3 tag of a title ended at its zero, the rest was a text of its own
{
    "title": "Low\x00Tide",
    "artist": "artist",
    "verse": "verse",
    "chorus": "chorus",
    "why": "why",
    "reason": "reason",
    "album": "album",
    "comment": "comment",
    "old": "old",
    "stem": "s.wav",
    "other": b"o",
    "folder": b"f",
    "pattern": None,
    "ascii": True,
    "report": "rendered",
}
