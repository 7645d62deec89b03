"""The capture file: every record of a machine's links, append-only, as pcapng.

The layout is specified in `firmware-notes/capture-layout.md`. This room knows the file and nothing of what
the bytes mean.
"""

from benchd.capture.layout import LAYOUT_VERSION, MAX_PAYLOAD
from benchd.capture.packed import captures_in
from benchd.capture.reader import Capture, read_capture
from benchd.capture.writer import CaptureWriter

__all__ = ["LAYOUT_VERSION", "MAX_PAYLOAD", "Capture", "CaptureWriter", "captures_in", "read_capture"]
