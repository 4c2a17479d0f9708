"""Any recorded drive as Frames: our candump reader for text, python-can's readers for every other format."""

from __future__ import annotations

import gzip
import logging
import sqlite3
from collections import Counter
from collections.abc import Callable, Container, Iterator
from contextlib import closing
from importlib.util import find_spec
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, Final, cast

from livemon.errors import RecordingError
from livemon.records import Frame
from livemon.sources.candump import DAY_S, STEP_BACK_S, Candump
from livemon.sources.recorded import Recording
from livemon.sources.text_lines import TextLines

if TYPE_CHECKING:
    import can

_TEXT: Final = frozenset({".log", ".txt", ".candump", ""})
_OTHER: Final = frozenset({".asc", ".blf", ".csv", ".db", ".mf4", ".trc"})
# The table that python-can writes; data that is none is not even fetched.
_SOUND: Final = (
    "typeof(ts) IN ('real', 'integer') AND typeof(arbitration_id) = 'integer'"
    " AND typeof(data) IN ('blob', 'null') AND ifnull(length(data), 0) <= 64"
)
_ROWS: Final = (
    f"SELECT {_SOUND}, ts, arbitration_id, extended, remote, error, CASE WHEN {_SOUND} THEN data END"
    " FROM messages"
)


def open_recording(
    path: str | Path,
    wanted_ids: Container[tuple[int, bool]] | None = None,
    stop: Callable[[], bool] = lambda: False,
) -> Recording:
    """The recording at `path`, read by what its suffix says; RecordingError when it cannot be.

    stop: asked while it is read, wanted frames or not; ends it there.
    """
    path = Path(path)
    suffix = _suffix(path)
    try:
        device = path.is_char_device() or path.is_block_device()  # it never ends
        came = "a directory" if path.is_dir() else "a device" if device else ""
        came = came or ("" if path.exists() else "no such file")
    except OSError as failure:  # a name too long, a folder one may not look into
        came = failure.strerror or str(failure)
    if came:
        raise RecordingError("a recording", came, f"{path}", "check the path")
    if suffix in _OTHER:
        return OtherFormat(path, wanted_ids, stop)
    if suffix in _TEXT:
        return Candump(path, wanted_ids, stop)
    raise RecordingError(
        f"a suffix of {' '.join(sorted((_TEXT | _OTHER) - {''}))} or one of these and .gz",
        repr(suffix),
        f"{path}",
        "rename the file to what it is",
    )


class OtherFormat(Recording):
    """A recording that python-can reads. The only way through which its readers' exceptions pass.

    A step of the stamps, back or by more than a day, is a clock that was set: counted, and the time goes on
    from where it was. A single wrong stamp is two such steps.
    """

    def __iter__(self) -> Iterator[Frame]:
        if _suffix(self.path) == ".mf4" and find_spec("asammdf") is None:
            raise RecordingError(
                "the package that reads .mf4", "no asammdf", f"{self.path}", "pip install 'python-can[mf4]'"
            )
        shift_s = 0.0
        try:
            for message in self._messages():
                if self._stop():
                    break
                if message.is_error_frame or message.is_remote_frame or message.is_fd:
                    kind = "error" if message.is_error_frame else "fd" if message.is_fd else "remote"
                    self.counters[kind + "_frames"] += 1
                    continue
                stamp_s = message.timestamp
                if not isfinite(stamp_s):
                    self.counters["damaged_frames"] += 1
                    continue
                if self.start_s is None:
                    self.start_s = stamp_s
                    shift_s = -stamp_s
                self.frames += 1
                step_s = stamp_s + shift_s - self.duration_s
                if not -STEP_BACK_S <= step_s <= DAY_S:
                    self.counters["clock_steps"] += 1
                    shift_s = self.duration_s - stamp_s
                self.duration_s = max(self.duration_s, stamp_s + shift_s)
                key = (message.arbitration_id, message.is_extended_id)
                if self._wanted is None or key in self._wanted:
                    channel = "can0" if message.channel is None else str(message.channel)
                    yield Frame(self.duration_s, *key, bytes(message.data), channel)
        except Exception as failure:  # its readers raise whatever Python raises
            reason = f"{type(failure).__name__}: {failure}".split("\n")[0]
            if not self.frames and not self._stop():
                raise RecordingError(
                    f"a recording in the format of its suffix {self.path.suffix}",
                    reason,
                    f"{self.path}",
                    "check that the file is whole and its suffix right",
                ) from None
            self._cut(reason)
        damaged = self.counters["damaged_lines"] + self.counters["damaged_frames"]
        if not self.frames and not self._stop():
            came = f"{damaged} damaged ones only" if damaged else "none"
            raise RecordingError("at least one CAN frame", came, f"{self.path}", "give another recording")
        if damaged:
            self.notices.append(f"{self.path}: {damaged} damaged lines or frames, skipped")

    def _cut(self, reason: str) -> None:
        self.notices.append(f"{self.path}: reading ended after frame {self.frames}: {reason}")
        self.counters["cut_recording"] += 1

    def _messages(self) -> Iterator[can.Message]:
        """What the format's reader makes of the file; a text format's goes on after a line it cannot read."""
        import can

        readers: dict[str, Callable[..., can.io.generic.MessageReader]] = {
            ".asc": can.ASCReader, ".csv": can.CSVReader, ".trc": can.TRCReader,
        }  # fmt: skip
        suffix = _suffix(self.path)
        if suffix == ".blf":  # its reader would leave a file open whose beginning it does not like
            opened = gzip.open if self.path.suffix.lower() == ".gz" else open
            with opened(self.path, "rb") as file, can.BLFReader(cast("BinaryIO", file)) as reader:
                whole = reader.file_size
                yield from reader
            plain = opened is open and self.path.is_file()  # a pipe has no size
            if plain and (there := self.path.stat().st_size) < whole:  # its reader takes it for a short one
                self._cut(f"{there} of {whole} bytes are there")
            return
        if suffix == ".db":
            yield from self._rows()
            return
        if (text := readers.get(suffix)) is None:
            with can.LogReader(self.path) as reader:
                yield from reader
            return
        lines = TextLines(self.path, self.counters, self._stop)
        said = _Counting(self.counters)
        logging.getLogger("can.io.trc").addHandler(said)
        try:
            with text(lines) as reader:
                while True:
                    taken = lines.taken
                    try:
                        yield from reader
                        break
                    except (ValueError, LookupError):
                        if lines.taken == taken:
                            raise
                        lines.again()
        finally:
            logging.getLogger("can.io.trc").removeHandler(said)
            lines.close()  # a reader that does not like the beginning never had it
        if lines.cut:
            self.counters["cut_last_line"] += 1
            self.notices.append(f"{self.path}: the last line has no end and may be cut; left out")

    def _rows(self) -> Iterator[can.Message]:
        """The rows of a database. python-can's reader takes a number in place of the data for a size."""
        import can

        place = f"{self.path.absolute().as_uri()}?mode=ro"
        with closing(sqlite3.connect(place, uri=True)) as database:
            for sound, stamp_s, can_id, extended, remote, error, data in database.execute(_ROWS):
                if sound:
                    yield can.Message(
                        timestamp=stamp_s,
                        arbitration_id=can_id,
                        is_extended_id=bool(extended),
                        is_remote_frame=bool(remote),
                        is_error_frame=bool(error),
                        data=data,
                    )
                else:
                    self.counters["damaged_frames"] += 1


class _Counting(logging.Handler):
    """Counts the lines that a reader only writes a log line about."""

    def __init__(self, counters: Counter[str]) -> None:
        super().__init__(logging.WARNING)
        self._counters = counters

    def emit(self, record: logging.LogRecord) -> None:
        self._counters["damaged_lines"] += 1


def _suffix(path: Path) -> str:
    """The suffix that tells the format: the one before .gz."""
    suffixes = [suffix.lower() for suffix in path.suffixes]
    if suffixes[-1:] == [".gz"]:
        suffixes.pop()
    return suffixes[-1] if suffixes else ""
