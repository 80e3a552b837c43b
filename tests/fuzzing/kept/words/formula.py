# a section called like a formula was one in a spreadsheet
{
    "title": "title",
    "artist": "artist",
    "verse": "verse",
    "chorus": "=1+1",
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
