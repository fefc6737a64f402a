"""livewatch: live telemetry of an engine, watched for the signature of a part its calibration was not written for.

    import livewatch

    diagnosis = livewatch.diagnose("drive.log", "my_car.yaml")
    print(diagnosis)
    table = diagnosis.channels("engine_speed", "boost_pressure")

This is the front door: everything a notebook, a script or the command line needs is a name of this package. A name is
loaded when it is first asked for; `import livewatch` alone loads nothing.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
