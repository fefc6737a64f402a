"""Alarms after ANSI/ISA-18.2: ticks and a person's actions come in, events come out, and the screen is told how every
alarm stands. No clock is read and nothing is written: the same ticks, cut in any way, give the same events.

A name is loaded when it is first asked for: who needs one of them need not wait for all.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
