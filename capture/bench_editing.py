"""Writing into the bench file: what a person wrote there, comments and order and blank lines, stays."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Any, Final

import tomlkit
from tomlkit.exceptions import TOMLKitError

from capture.bench import FILE_NAME, read_bench
from capture.durable import sync_folder
from capture.errors import DiskFull, InputError, RecordingInUse

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

_NEW: Final = "# Packs, tools and loggers of this bench. Edit it by hand or with sagline.\n"
_PARTIAL: Final = ".partial"


class BenchEditor:
    """A bench file as it was read; `put` changes it, `write` keeps it."""

    def __init__(self, path: Path) -> None:
        """Read the file; where there is none, begin one. Raises InputError where it is no bench file."""
        self.path = path
        self._read = _content(path)
        if self._read is not None:
            read_bench(path)  # what is wrong in it is said before anything is added
        try:
            self._document = tomlkit.parse(_NEW if self._read is None else self._read.decode())
        except (TOMLKitError, UnicodeDecodeError) as error:
            raise InputError(f"is not TOML ({error})", str(path), "Mend it first.") from error

    def put(self, tables: tuple[str, ...], values: Mapping[str, Any]) -> None:
        """Set keys of a table such as ("loggers", "bench", "channels", "current_a"); None takes one out."""
        table: Any = self._document
        for depth, name in enumerate(tables):
            if name not in table:
                table[name] = tomlkit.table(is_super_table=depth + 1 < len(tables))
            table = table[name]
        for key, value in values.items():
            if value is not None:
                table[key] = value
            elif key in table:
                del table[key]

    def text(self) -> str:
        """Return the file as it will be written."""
        return tomlkit.dumps(self._document)

    def write(self) -> None:
        """Replace the file whole; raise RecordingInUse where somebody changed it since it was read.

        Raises DiskFull where it cannot be written, and InputError where what was put in makes no bench: then
        the file is as it was.
        """
        if _content(self.path) != self._read:
            raise RecordingInUse("was changed since it was read", str(self.path), "Run the command again.")
        content = self.text().encode()
        partial = self.path.with_name(self.path.name + _PARTIAL)
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            with partial.open("wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            try:
                read_bench(partial)
            except InputError:
                partial.unlink()
                raise
            partial.replace(self.path)
            sync_folder(self.path.parent)
        except OSError as error:
            raise DiskFull(
                f"cannot be written ({error.strerror})", str(self.path), f"Give another {FILE_NAME}."
            ) from error
        self._read = content


def _content(path: Path) -> bytes | None:
    try:
        return path.read_bytes()
    except FileNotFoundError:
        return None
    except OSError as error:
        raise InputError(f"cannot be read ({error.strerror})", str(path), "Check its name.") from error
