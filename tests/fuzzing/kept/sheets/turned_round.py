# A name that turns round what is printed behind it.
{
    "kind": "mutated",
    "text": b'format: 1\nsong: {title: t, sample_rate_hz: 48000}\ntracks: {a: {file: "12", g'
    b'roup: "a\xe2\x80\xaeb"}}\n',
    "origin": b"",
    "through_verbs": True,
}
