# A role that is one space of no width: the message showed nothing.
{
    "kind": "mutated",
    "text": b'format: 1\nsong: {title: t, sample_rate_hz: 48000}\ntracks: {a: {file: "12", r'
    b'ole: "\xe2\x80\x8b"}}\n',
    "origin": b"",
    "through_verbs": True,
}
