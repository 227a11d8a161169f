# SPDX-License-Identifier: GPL-3.0-or-later
"""Why Blender's module ``bpy`` did not load, in words, with what to install.

Standard library only and no import of bpy: the text of the failed import is all it needs.
"""

from __future__ import annotations

import re
import sys

__all__ = ["explain"]

# System library -> package, on Debian and Ubuntu, and on Fedora.
_PACKAGES = {
    "libEGL.so.1": ("libegl1", "libglvnd-egl"),
    "libGL.so.1": ("libgl1", "libglvnd-glx"),
    "libGLX.so.0": ("libglx0", "libglvnd-glx"),
    "libICE.so.6": ("libice6", "libICE"),
    "libSM.so.6": ("libsm6", "libSM"),
    "libX11.so.6": ("libx11-6", "libX11"),
    "libXext.so.6": ("libxext6", "libXext"),
    "libXfixes.so.3": ("libxfixes3", "libXfixes"),
    "libXi.so.6": ("libxi6", "libXi"),
    "libXrender.so.1": ("libxrender1", "libXrender"),
    "libXxf86vm.so.1": ("libxxf86vm1", "libXxf86vm"),
    "libgomp.so.1": ("libgomp1", "libgomp"),
    "libxkbcommon.so.0": ("libxkbcommon0", "libxkbcommon"),
}
# Seldom does one of these lack alone: the line names all that every bpy needs.
_ALL_DEBIAN = " ".join(debian for debian, _ in _PACKAGES.values())

_NO_FILE = re.compile(r"(lib[\w+.-]+\.so[.\d]*): cannot open shared object file")
_OLD_SYSTEM = re.compile(r"version [`'](GLIBC(?:XX)?_[\d.]+)'? not found")


def explain(error: ImportError) -> str:
    """Say what is missing and how to get it.

    Parameters
    ----------
    error : ImportError
        What ``import bpy`` raised.

    Returns
    -------
    str
        One or more lines: the cause, then what to do. An unknown cause is quoted as it came.

    Examples
    --------
    >>> lost = "libXi.so.6: cannot open shared object file: No such file or directory"
    >>> print(explain(ImportError(lost)).splitlines()[0])
    Blender's module bpy cannot load: the system library libXi.so.6 is missing.
    """
    text = str(error)
    if isinstance(error, ModuleNotFoundError) and error.name == "bpy":
        return _not_installed(sys.version_info[:2])
    if found := _NO_FILE.search(text):
        return _library(found[1])
    if found := _OLD_SYSTEM.search(text):
        return (
            f"Blender's module bpy cannot load: this system is too old for it ({found[1]} is"
            " missing). Use an older bpy (4.2), or a newer system."
        )
    if "DLL load failed" in text:
        return (
            "Blender's module bpy cannot load: a system library of Windows is missing. Install"
            " the Microsoft Visual C++ runtime:\n  winget install Microsoft.VCRedist.2015+.x64"
        )
    return f"Blender's module bpy cannot load: {text}"


def _not_installed(python: tuple[int, ...]) -> str:
    running = ".".join(map(str, python))
    if python in ((3, 11), (3, 13)):
        return (
            "Blender's module bpy is not installed in this Python. Install it with Leapwright"
            ' (about 400 MB):\n  python -m pip install "leapwright[blender]"'
        )
    return (
        f"Blender's module bpy is not installed, and there is none for Python {running}:"
        " use Python 3.13 (for Blender 5.2) or 3.11 (for 4.2 to 5.0)."
    )


def _library(name: str) -> str:
    cause = f"Blender's module bpy cannot load: the system library {name} is missing."
    if name not in _PACKAGES:
        return f"{cause}\nInstall the package of your system that holds {name}."
    debian, fedora = _PACKAGES[name]
    return (
        f"{cause}\n"
        f"  Debian, Ubuntu   apt-get install {debian}\n"
        f"  Fedora           dnf install {fedora}\n"
        f"All that bpy needs, in one go: apt-get install {_ALL_DEBIAN}"
    )
