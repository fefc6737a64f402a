"""The folder a run leaves behind: written while it goes on, opened again afterwards, however it ended.

A name is loaded when it is first asked for: who needs one of them need not wait for all.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
