"""The files a command writes: refused beforehand where they would do harm, then each written by itself."""

from __future__ import annotations

import argparse
import os
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Final

from livemon.commands.say import mention
from livemon.errors import LivemonError, UsageError

# By the names of their options and arguments, over all commands, with what a user calls them.
READ: Final = {
    "recording": "the recording",
    "recordings": "a recording",
    "vehicle": "the vehicle file",
    "engine": "the other vehicle file",
    "dbc": "the DBC file",
    "serial": "the serial port",
}
WRITTEN: Final = ("json", "trace", "report", "record", "curve", "out")


def check(args: argparse.Namespace, also_read: Iterable[str | Path] = ()) -> None:
    """Raise UsageError for an output that cannot be written or that would destroy a file given beside it.

    Called before anything is opened: opening an output for writing empties it.
    """
    taken = [(Path(path), name) for option, name in READ.items() for path in _paths(args, option)]
    taken += [(Path(path), "a vehicle file") for path in also_read]
    for option in WRITTEN:
        for path in _paths(args, option):
            where, file = f"--{option}", Path(path)
            if path == "-":
                if option == "json":
                    continue
                raise UsageError("a file", "'-', which only --json takes", where, "give a path")
            if file.is_dir() or not _real(file).parent.is_dir():
                raise UsageError("a file in an existing folder", path, where, "make it or give another path")
            other = next((name for known, name in taken if _same(known, file)), None)
            if other is not None:
                raise UsageError("a file of its own", f"{path}, also {other}", where, "give another path")
            if file.is_file() or not file.exists():  # a device or a pipe may take several outputs
                taken.append((file, where))


def write_all(writes: Mapping[str, Callable[[], object]], failed: Exception | None = None) -> None:
    """Write each output by itself, so that one that fails loses none of the others.

    The first failure is raised at the end, `failed` (what ended the drive) before all others; the rest are
    said on standard error. A reader that went away matters least. Ctrl-C gives up the output that is being
    written and no other; which one is said by its name in `writes`.
    """
    interrupted = False
    failures: list[Exception] = [failed] if failed is not None else []
    for name, write in writes.items():
        try:
            write()
        except KeyboardInterrupt:
            interrupted = True
            mention(f"livemon: interrupted: {name} was not written")
        except (LivemonError, OSError) as failure:
            failures.append(failure)
    failures.sort(key=lambda failure: isinstance(failure, BrokenPipeError))
    for other in failures if interrupted else failures[1:]:
        if not isinstance(other, BrokenPipeError):
            mention(f"livemon: {' '.join(str(other).split())}")
    if interrupted:
        raise KeyboardInterrupt
    if failures:
        raise failures[0]


def _paths(args: argparse.Namespace, option: str) -> list[str]:
    """What an option holds, as paths: nothing, one or several."""
    value = getattr(args, option, None)
    return [path for path in (value if isinstance(value, list) else [value]) if path is not None]


def _real(path: Path) -> Path:
    return Path(os.path.realpath(path))  # Path.resolve raises on a circle of links


def _same(known: Path, file: Path) -> bool:
    """Whether both are one file, under one name or two."""
    try:
        return _real(known) == _real(file) or known.samefile(file)
    except OSError:  # one of them does not exist: nothing to destroy
        return False
