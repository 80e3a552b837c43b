"""The version of mixwright: what files and caches carry."""

__version__ = "0.1.0"
