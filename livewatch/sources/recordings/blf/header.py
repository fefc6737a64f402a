"""What every object in a BLF recording begins with."""

from __future__ import annotations

import struct

__all__ = ["HEADER", "MARK"]

MARK = b"LOBJ"
HEADER = struct.Struct("<4sHHLL")
"""Mark, header size, header version, object size, kind."""
