# names with escapes reached the terminal as they are
{
    "title": "title",
    "artist": "artist",
    "verse": "verse",
    "chorus": "c\x1b[31m\u202e",
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
    "report": "files",
}
