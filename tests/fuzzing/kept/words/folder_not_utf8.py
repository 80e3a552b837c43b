# a delivery in a folder whose name is not UTF-8: an exception got out
{
    "title": "title",
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
    "folder": b"f\xfe",
    "pattern": None,
    "ascii": True,
    "report": "rendered",
}
