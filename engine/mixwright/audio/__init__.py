"""The only room that touches sound files: probe, streaming read, streaming write.

Raises ProblemError without a place; who knows the sheet adds it.
"""

from mixwright.audio.formats import FORMATS, RENDER_FORMATS, MixFormat
from mixwright.audio.probe import StemInfo, probe, probe_all
from mixwright.audio.read import StemReader
from mixwright.audio.write import Spool, check_target

__all__ = [
    "FORMATS",
    "RENDER_FORMATS",
    "MixFormat",
    "Spool",
    "StemInfo",
    "StemReader",
    "check_target",
    "probe",
    "probe_all",
]
