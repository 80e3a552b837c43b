"""The formats a mix can be written in, and whether this machine can write them."""

from __future__ import annotations

from dataclasses import dataclass

from mixwright.problem import Fault, ProblemError


@dataclass(frozen=True)
class MixFormat:
    """A deliverable format.

    `container` and `subtype` are the sound library's names. `bits` is None where samples go in as
    floating point and no dither belongs: float files and the `lossy` formats. `rates_hz` are the
    sample rates the format has, empty if any will do.
    """

    name: str
    container: str
    subtype: str
    bits: int | None
    suffix: str
    lossy: bool = False
    rates_hz: tuple[int, ...] = ()


# RFC 6716, table 1: what a decoder puts out, whatever band was coded.
OPUS_RATES_HZ = (48000, 24000, 16000, 12000, 8000)
# ISO/IEC 11172-3 (the highest three), ISO/IEC 13818-3 (half of these), and the quarters of "2.5",
# which is no standard's: sources as in `mixwright.audio.mp3`.
MP3_RATES_HZ = (48000, 44100, 32000, 24000, 22050, 16000, 12000, 11025, 8000)

RENDER_FORMATS = {
    form.name: form
    for form in (
        MixFormat("wav16", "WAV", "PCM_16", 16, ".wav"),
        MixFormat("wav24", "WAV", "PCM_24", 24, ".wav"),
        MixFormat("wav32f", "WAV", "FLOAT", None, ".wav"),
        MixFormat("flac16", "FLAC", "PCM_16", 16, ".flac"),
        MixFormat("flac24", "FLAC", "PCM_24", 24, ".flac"),
    )
}
"""What `render` writes: nothing is lost, and everything here reads it again."""

FORMATS = RENDER_FORMATS | {
    form.name: form
    for form in (
        MixFormat("aiff16", "AIFF", "PCM_16", 16, ".aiff"),
        MixFormat("aiff24", "AIFF", "PCM_24", 24, ".aiff"),
        MixFormat("ogg", "OGG", "VORBIS", None, ".ogg", lossy=True),
        MixFormat("opus", "OGG", "OPUS", None, ".opus", lossy=True, rates_hz=OPUS_RATES_HZ),
        MixFormat("mp3", "MP3", "MPEG_LAYER_III", None, ".mp3", lossy=True, rates_hz=MP3_RATES_HZ),
    )
}
"""What a variant may be delivered in."""


def check_available(form: MixFormat) -> None:
    """Raise ProblemError (fault MACHINE) if this machine's sound library can't write `form`.

    >>> check_available(FORMATS["wav24"])
    """
    import soundfile

    if form.container in soundfile.available_formats() and (
        form.subtype in soundfile.available_subtypes(form.container)
    ):
        return
    message = (
        f"this machine's sound library (libsndfile {soundfile.__libsndfile_version__}) can't write "
        f"{form.name}, expected one that has {form.container} with {form.subtype}"
    )
    hint = "leave this format out, or use a newer sound library"
    raise ProblemError.of("format/unavailable", message, hint, fault=Fault.MACHINE)
