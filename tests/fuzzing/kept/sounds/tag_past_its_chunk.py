# A tag that goes on past its chunk.
{
    "bytes": b"RIFFn\x01\x00\x00WAVEid3 A\x01\x00\x00ID3\x03\x00@\x00\x00\x00\x00",
    "name": "odd.wav",
    "part": "track",
    "trials": ["inspect"],
}
