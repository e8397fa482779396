"""Where the firmware's files and shared_proto are: in an installed package, or in a checkout."""

from __future__ import annotations

from pathlib import Path

import shared_proto

_PACKAGE = Path(__file__).resolve().parent


def firmware_dir() -> Path:
    """Folder that holds main.py, firmware/ and boards/: lidjig/firmware_files when installed, else device/."""
    installed = _PACKAGE / "firmware_files"
    return installed if installed.is_dir() else _PACKAGE.parent.parent / "device"


def proto_dir() -> Path:
    """Folder of the shared_proto package itself."""
    return Path(shared_proto.__file__).resolve().parent
