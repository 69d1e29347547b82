"""Files appear whole or not at all: written under a temporary name, then renamed."""

from __future__ import annotations

import os
import secrets
from pathlib import Path

from zrough.errors import ZroughError


class OutputError(ZroughError):
    """A file or folder cannot be written."""


def write_atomic(path: str | os.PathLike[str], data: bytes | str) -> Path:
    """Write ``data`` (text as UTF-8, newlines as given) under ``path`` in one step; return the path.

    The bytes go to a hidden file in the same folder, reach the disk, and only then take the final
    name; a full disk, a killed process or a read-only folder leaves the old file, or none.

    Raises
    ------
    OutputError : the folder is missing or read-only, the disk is full.
    """
    target = Path(path)
    raw = data.encode("utf-8") if isinstance(data, str) else data
    temporary = target.with_name(f".{target.name}.{os.getpid()}.{secrets.token_hex(4)}.tmp")
    try:
        try:
            with open(temporary, "xb") as stream:
                stream.write(raw)
                stream.flush()
                os.fsync(stream.fileno())
            os.replace(temporary, target)
        except BaseException:
            temporary.unlink(missing_ok=True)
            raise
    except OSError as exc:
        reason = exc.strerror or str(exc)
        raise OutputError(
            f"{target}: cannot be written: {reason}; free space or choose another folder"
        ) from exc
    return target


def make_folder(path: str | os.PathLike[str]) -> Path:
    """Make sure the folder ``path`` is there; return it.

    Raises
    ------
    OutputError : it cannot be made, or a file has its name.
    """
    folder = Path(path)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as exc:
        reason = exc.strerror or str(exc)
        raise OutputError(f"{folder}: folder cannot be made: {reason}; choose another one") from exc
    return folder
