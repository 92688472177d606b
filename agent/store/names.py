"""File names from what users and controllers call things, good on every system."""

from __future__ import annotations

import re
from typing import Final

#: Names that are devices on Windows, whatever follows behind a dot (its documentation, "Naming
#: Files, Paths, and Namespaces").
_DEVICES: Final = re.compile(r"(?:CON|PRN|AUX|NUL|(?:COM|LPT)[0-9])(?:\..*)?", re.IGNORECASE)


def is_device(name: str) -> bool:
    """True if a file of this name would be a device on Windows."""
    return _DEVICES.fullmatch(name.rstrip(" .")) is not None


def safe_name(text: str, most: int = 60) -> str:
    """`text` as part of a file name: letters, digits, `-` and `_`; others become `_`."""
    kept = "".join(c if c.isalnum() or c in "-_" else "_" for c in text)[:most] or "unnamed"
    return f"{kept}_" if is_device(kept) else kept
