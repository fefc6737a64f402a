"""python-can, without the library of one of its formats where nobody needs that.

Where asammdf is installed, python-can loads it for MF4 files, and with it pandas and pyarrow: six times what all else
of python-can takes. So it is loaded here, in place of `import can`, and before cantools, which loads it as well.
`with_mf4` makes it ready for MF4 files, whoever loaded it first.
"""

from __future__ import annotations

import importlib
from types import ModuleType

from livewatch.data.left_out import left_out

with left_out("asammdf"):
    import can
    import can.io.mf4
    from can.interfaces import BACKENDS

__all__ = ["BACKENDS", "can", "cantools", "with_mf4"]


def cantools() -> ModuleType:
    """cantools, which loads python-can as well."""
    import cantools as library  # late: few need a DBC read

    return library


def with_mf4() -> ModuleType:
    """The same, ready for MF4 files where asammdf is installed."""
    if vars(can.io.mf4)["asammdf"] is None:
        importlib.reload(can.io.mf4)  # its classes look for the library there
    return can
