# Half of a letter, as JSON writes them: the parser's own words came through.
{
    "kind": "mutated",
    "text": b'format: 1\nsong: {title: t, sample_rate_hz: 48000}\ntracks: {a: {file: "12", w'
    b'hy: "\\ud83c\\udf9a"}}\n',
    "origin": b"",
    "through_verbs": True,
}
