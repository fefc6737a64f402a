"""The names of this room and where each comes from: read by type checkers, and at run time by the room itself."""

from .evidence.baseline import Baseline as Baseline
from .finding import Finding as Finding
from .signature import Signature as Signature
