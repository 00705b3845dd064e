"""What a disk must be told so that a new or renamed file is still there after a power cut."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path


def sync_folder(folder: Path) -> None:
    """Make the names in `folder` safe, where the platform lets a folder be synced."""
    try:
        descriptor = os.open(folder, os.O_RDONLY)
    except OSError:
        return
    try:
        os.fsync(descriptor)
    except OSError:
        pass  # some network file systems refuse; the names themselves are written
    finally:
        os.close(descriptor)
