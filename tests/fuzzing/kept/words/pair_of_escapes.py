# a character written as two escapes, as JSON does, was refused
{
    "title": "🎚",
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
    "report": "heard",
}
