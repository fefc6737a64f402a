"""numpy, loaded when something of it is first used.

Loading it takes as long as all else that the first frame of a dashboard needs beside Textual. The modules that only say
what data looks like, or that come before the first row, take `np` from here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

__all__ = ["np"]

if TYPE_CHECKING:
    import numpy as np
else:

    class _Numpy:
        """Each name is asked of numpy once."""

        def __getattr__(self, name: str) -> Any:
            import numpy

            value = getattr(numpy, name)
            setattr(self, name, value)
            return value

    np = _Numpy()
