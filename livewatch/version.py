"""The one place of the version; the package's metadata reads it from here."""

__all__ = ["__version__"]

__version__ = "0.1.0"
