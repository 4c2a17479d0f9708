"""A file that is written whole or not at all, so that a full disk never costs the earlier one.

And one that is read whole only where it is no larger than such a file can be.
"""

from __future__ import annotations

import errno
import os
import secrets
from pathlib import Path
from typing import Final

from livemon.errors import LivemonError, UsageError

# The folder takes no new file, or none in place of this one; the file itself may still be written.
_NOT_BESIDE: Final = frozenset({errno.EACCES, errno.EPERM, errno.EBUSY})


def read_whole(
    path: str | Path,
    expected: str,
    most_bytes: int,
    do: str = "check the path",
    error: type[LivemonError] = UsageError,
) -> bytes:
    """What the file holds. Raises `error` when it cannot be read or never seems to end, as a device does."""
    try:
        with Path(path).open("rb") as file:
            content = file.read(most_bytes + 1)
    except OSError as failure:
        raise error(expected, failure.strerror or str(failure), str(path), do) from None
    if len(content) > most_bytes:
        raise error(f"{expected} of at most {most_bytes >> 20} MB", "a larger one", str(path), do)
    return content


def write_whole(path: str | Path, content: str | bytes, do: str = "give another path") -> None:
    """Write `content` beside `path` and put it in its place once it is on the disk. May raise UsageError.

    A device, a pipe or a link is written directly. `do` is what the user is told to do about a failure.
    """
    path = Path(path)
    data = content.encode("utf-8") if isinstance(content, str) else content
    try:
        if path.is_symlink() or (path.exists() and not path.is_file()):
            path.write_bytes(data)
            return
        try:
            _replace(path, data)
        except OSError as error:
            if error.errno not in _NOT_BESIDE or not path.exists():
                raise
            path.write_bytes(data)
    except OSError as error:
        came = error.strerror or str(error)
        raise UsageError("a file that can be written", came, str(path), do) from None


def _replace(path: Path, data: bytes) -> None:
    beside = path.with_name(f".livemon-{secrets.token_hex(8)}")
    try:
        with beside.open("xb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        if path.exists():
            beside.chmod(path.stat().st_mode & 0o7777)
        beside.replace(path)
    except BaseException:
        beside.unlink(missing_ok=True)
        raise
