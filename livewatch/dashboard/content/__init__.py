"""What the screens say: a run's state and events to words, rows and figures.

A name is loaded when it is first asked for: nothing of it is needed for the first frame.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
