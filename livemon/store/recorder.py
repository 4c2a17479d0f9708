"""Everything received and asked, as candump text that survives a power cut and a full disk.

    (1600279140.020108) can0 7E8#04410C1AF800AAAA

Each line is handed to the system at once, so a killed program loses nothing; the system is told to put it
on the disk at least once a second, so a power cut costs at most the last second.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from pathlib import Path
from time import monotonic
from typing import Final

from livemon.errors import UsageError
from livemon.records import Frame
from livemon.store.vin_mask import VinMask

SYNC_S: Final = 0.9  # with one frame in between still at least once a second
RETRY_S: Final = 5.0  # after a failed write
_NOTICES: Final = 6  # a disk that is full on and off is told of so often, then only counted
# The form of a marker: see sources/candump.py, which reads it back.
_MARK: Final = "20000080#A5"
_MARK_PIECE: Final = 6


class Recorder:
    """Writes frames to `path`. An older recording there is first renamed: path.1.log, path.2.log ...
    A device, a pipe or a link there is never renamed or deleted, only written to.

    With `max_bytes` the same renaming starts a new file whenever the present one has grown to that size.
    Unless `keep_vin`, what names the vehicle in an answered or broadcast VIN is written as '*'.
    A full disk or a pulled-out stick is a sentence in `notices`, and `trouble` until writing works again,
    which is another; frames in between are dropped and counted in `lost`. Raises UsageError only when the
    file cannot be made at the start.
    Stamps are `start_s` + frame.time_s.
    """

    def __init__(
        self,
        path: str | Path,
        *,
        start_s: float = 0.0,
        max_bytes: int | None = None,
        keep_vin: bool = False,
        now_s: Callable[[], float] = monotonic,
    ) -> None:
        self.path = Path(path)
        self.notices: list[str] = []
        self.trouble = ""
        self.frames = 0
        self.lost = 0
        self._start_s = start_s
        self._max_bytes = max_bytes
        self._mask = None if keep_vin else VinMask()
        self._now_s = now_s
        self._file = -1
        self._size = 0
        self._synced_s = now_s()
        self._dirty = False
        self._retry_s = 0.0
        self._channel = "can0"
        try:
            self._open()
        except OSError as failure:
            raise UsageError(
                "a file to record into",
                str(failure.strerror),
                str(self.path),
                "give a path that can be written",
            ) from None

    def write(self, frame: Frame) -> None:
        """Record one frame, received or sent."""
        time_s, can_id, extended, data, channel = frame
        self._channel = channel
        if self._mask is not None:
            data = self._mask(can_id, extended, data)
        identifier = f"{can_id:08X}" if extended else f"{can_id:03X}"
        if self._put(f"({self._start_s + time_s:.6f}) {channel} {identifier}#{data.hex().upper()}\n"):
            self.frames += 1
        else:
            self.lost += 1

    def mark(self, time_s: float, text: str) -> None:
        """Record a marker, such as "marked at 62 km/h", at `time_s`. Up to 1536 bytes of text are kept."""
        raw = text.encode()[: 256 * _MARK_PIECE] or b"?"
        pieces = [
            raw[at : at + _MARK_PIECE].ljust(_MARK_PIECE, b"\0") for at in range(0, len(raw), _MARK_PIECE)
        ]
        stamp = f"({self._start_s + time_s:.6f}) {self._channel} {_MARK}"
        left = range(len(pieces) - 1, -1, -1)
        self._put(
            "".join(f"{stamp}{n:02X}{piece.hex().upper()}\n" for n, piece in zip(left, pieces, strict=True))
        )

    def flush(self) -> None:
        """Put what was written on the disk. Call it about once a second when no frames come."""
        if not self._dirty or self._file < 0:
            return
        self._synced_s = self._now_s()
        self._dirty = False
        try:
            getattr(os, "fdatasync", os.fsync)(self._file)  # not every system has the quicker one
        except OSError as failure:
            if failure.errno != errno.EINVAL:  # a pipe or a device: there is no disk to put it on
                self._give_up(failure)

    def close(self) -> None:
        """Flush and let go of the file. Safe to call twice."""
        self.flush()
        self._shut()

    def discard(self) -> None:
        """Close and leave no file behind: nobody answered, there are only our own asks in it."""
        self.close()
        if self._renamable():
            self.path.unlink(missing_ok=True)

    def _put(self, text: str) -> bool:
        now_s = self._now_s()
        if self._file < 0 and not self._reopen(now_s):
            return False
        line = text.encode("ascii", "replace")
        try:
            full = self._max_bytes is not None and self._size and self._size + len(line) > self._max_bytes
            if full and self._renamable():
                self.flush()
                self._shut()
                self._open()
            written = os.write(self._file, line)
            if written < len(line):  # the disk took part of it: no cut line may stay behind
                os.ftruncate(self._file, self._size)
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        except OSError as failure:
            self._give_up(failure)
            return False
        self._size += written
        self._dirty = True
        if self.trouble:
            self._note(f"{self.path}: recording goes on; {self.lost} frames are missing so far")
            self.trouble = ""
        if now_s - self._synced_s >= SYNC_S:
            self.flush()
        return True

    def _open(self) -> None:
        if self._renamable() and self.path.stat().st_size:
            number = 1
            while (older := self.path.with_suffix(f".{number}{self.path.suffix}")).exists():
                number += 1
            self.path.rename(older)
        self._append()

    def _append(self) -> None:
        self._file = os.open(self.path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644)
        self._size = os.fstat(self._file).st_size

    def _renamable(self) -> bool:
        """Whether a recording of its own lies there, not a device, a pipe or the way to somebody's file."""
        return self.path.is_file() and not self.path.is_symlink()

    def _reopen(self, now_s: float) -> bool:
        """After a failure: go on in the same file as soon as the disk lets us."""
        if now_s < self._retry_s:
            return False
        self._retry_s = now_s + RETRY_S
        try:
            self._append()
        except OSError:
            return False
        return True

    def _give_up(self, failure: OSError) -> None:
        if not self.trouble:
            self.trouble = (
                f"{self.path}: recording stopped: {failure.strerror}; watching goes on, "
                "nothing is recorded until there is room again"
            )
            self._note(self.trouble)
        self._retry_s = self._now_s() + RETRY_S
        self._dirty = False
        self._shut()

    def _note(self, notice: str) -> None:
        if len(self.notices) < _NOTICES:
            self.notices.append(notice)

    def _shut(self) -> None:
        if self._file >= 0:
            os.close(self._file)
            self._file = -1
