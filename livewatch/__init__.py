"""livewatch: live telemetry of an engine, watched for the signature of a part its calibration was not written for."""

from __future__ import annotations

__all__ = ["__version__"]

__version__ = "0.1.0"
