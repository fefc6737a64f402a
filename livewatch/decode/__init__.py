"""Frames to samples, vectorised.

`Decoder(profile).decode(FrameBatch)` gives a `SampleBatch`. The modules, in the order of the data: `bus_traffic` says
what each frame is; `field` and `multiplexer` find the bits, `slots` reads them for all signals at once, `binding`
makes samples of channels of them; `diagnostics` does the same for answers on the diagnostic port.
"""

from livewatch.decode.bus_traffic import IdentifierCount
from livewatch.decode.decoder import Decoded, Decoder

__all__ = ["Decoded", "Decoder", "IdentifierCount"]
