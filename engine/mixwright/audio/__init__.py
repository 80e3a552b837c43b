"""The only room that touches sound files: probe, streaming read, streaming write.

Raises ProblemError without a place; who knows the sheet adds it.
"""

from mixwright.audio.encode import Encoding
from mixwright.audio.formats import FORMATS, RENDER_FORMATS, MixFormat
from mixwright.audio.probe import StemInfo, probe, probe_all
from mixwright.audio.read import StemReader, played, read_part
from mixwright.audio.write import Spool, check_target

__all__ = [
    "FORMATS",
    "RENDER_FORMATS",
    "Encoding",
    "MixFormat",
    "Spool",
    "StemInfo",
    "StemReader",
    "check_target",
    "played",
    "probe",
    "probe_all",
    "read_part",
]
