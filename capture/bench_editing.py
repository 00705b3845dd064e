"""Writing into the bench file: what a person wrote there, comments and order and blank lines, stays."""

from __future__ import annotations

import os
from contextlib import suppress
from errno import EACCES, EPERM, EROFS
from stat import S_IMODE
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

        A link is followed: the file that it names is replaced, and keeps its permissions. Raises DiskFull
        where it cannot be written, and InputError where what was put in makes no bench: then the file is as
        it was.
        """
        self._check_unchanged()
        content = self.text().encode()
        target = self.path.resolve()
        partial = target.with_name(f".{target.name}.{os.getpid()}{_PARTIAL}")
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
            if target.exists() and not os.access(target, os.W_OK):
                raise PermissionError(EACCES, "it is write-protected")
            _write_beside(partial, content, target)
            self._check_makes_a_bench(partial)
            self._check_unchanged()  # once more, as late as can be: writing and syncing took a while
            partial.replace(target)
            sync_folder(target.parent)
        except OSError as error:
            raise self._cannot(error, target) from error
        finally:
            _take_away(partial)
        self._read = content

    def _check_unchanged(self) -> None:
        if _content(self.path) != self._read:
            raise RecordingInUse("was changed since it was read", str(self.path), "Run the command again.")

    def _check_makes_a_bench(self, partial: Path) -> None:
        try:
            read_bench(partial)
        except InputError as error:
            raise InputError(error.what, str(self.path), error.hint) from error

    def _cannot(self, error: OSError, target: Path) -> DiskFull:
        """Return in words why the file cannot be written; often it is its folder that takes no new file."""
        folder = target.parent
        if error.errno in {EACCES, EPERM, EROFS} and not os.access(folder, os.W_OK):
            return DiskFull(
                f"cannot be written, its folder {folder} takes no new file ({error.strerror})",
                str(self.path),
                f"Make the folder writable, or give another {FILE_NAME}.",
            )
        return DiskFull(f"cannot be written ({error.strerror})", str(self.path), f"Give another {FILE_NAME}.")


def _write_beside(partial: Path, content: bytes, target: Path) -> None:
    """Write a new file beside the one that it is to replace, with the permissions of that."""
    with partial.open("wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    if target.exists():
        partial.chmod(S_IMODE(target.stat().st_mode))


def _take_away(partial: Path) -> None:
    """Remove what a write that failed has left; gone it is after one that did not."""
    with suppress(OSError):
        partial.unlink()


def _content(path: Path) -> bytes | None:
    try:
        return path.read_bytes()
    except FileNotFoundError:
        return None
    except OSError as error:
        raise InputError(f"cannot be read ({error.strerror})", str(path), "Check its name.") from error
