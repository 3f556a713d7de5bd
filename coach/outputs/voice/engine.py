"""Locates the speech engine, and gives its name and version for the cache key.

On Linux pip installs the engine: loading the library of ``espeakng_loader`` with global symbols makes ``pyttsx3`` find
the same library by its so-name later. Elsewhere, or without that package, the system's engine is used.
"""

from __future__ import annotations

import ctypes
import importlib.metadata
import os
import platform
import sys
from pathlib import Path


def packaged() -> tuple[Path, Path] | None:
    """Return library file and data folder of the packaged engine, or None if unusable here."""
    if not sys.platform.startswith("linux"):
        return None
    try:
        import espeakng_loader
    except ImportError:
        return None
    folder = Path(espeakng_loader.__file__).parent
    library, data = folder / "libespeak-ng.so", folder / "espeak-ng-data"
    return (library, data) if library.is_file() and data.is_dir() else None


def load_packaged() -> bool:
    """Load the packaged engine into this process; return False if there is none or it does not load."""
    found = packaged()
    if found is None:
        return False
    library, data = found
    os.environ["ESPEAK_DATA_PATH"] = str(data)
    try:
        ctypes.CDLL(str(library), mode=ctypes.RTLD_GLOBAL)
    except OSError:
        del os.environ["ESPEAK_DATA_PATH"]
        return False
    return True


def engine_version() -> str:
    """Return the engine of a render worker on this machine, without loading it."""
    parts = [f"pyttsx3 {_version('pyttsx3')}"]
    if packaged() is not None:
        parts.append(f"espeakng-loader {_version('espeakng-loader')}")
    else:
        parts.append(f"{platform.system()} {platform.release()}")
    return ", ".join(parts)


def _version(package: str) -> str:
    try:
        return importlib.metadata.version(package)
    except importlib.metadata.PackageNotFoundError:
        return "?"
