"""candump's two text layouts -> Frames: strict, fast, and never a wrong byte.

    (1600279140.020108) can0 7E8#04410C1AF8                  compact
    (1600279140.020108)  can0  7E8   [5]  04 41 0C 1A F8     spaced

A line is a frame only if all of it is right. The file is read in pieces: where one regular expression
explains every line of a piece its frames come out quickly, and only otherwise is each line looked at.
"""

from __future__ import annotations

import gzip
import re
import zlib
from binascii import unhexlify
from codecs import BOM_UTF8
from collections.abc import Callable, Container, Iterator, Sequence
from datetime import datetime
from itertools import chain
from pathlib import Path
from typing import BinaryIO, Final

from livemon.errors import RecordingError
from livemon.records import Frame
from livemon.sources.recorded import Recording

_PIECE_BYTES: Final = 1 << 13  # measured: larger pieces fall out of the cache
_LONGEST_LINE: Final = 4096  # a CAN FD line in the spaced layout stays under 300
STEP_BACK_S: Final = 0.5  # less is two channels out of step; more is a clock set back or a file appended
_GAP_S: Final = 5.0  # a stamp further than that from both its neighbours has a wrong digit
DAY_S: Final = 86400.0

_HEAD: Final = rb"([\w.:-]+ +(?:[0-9A-Fa-f]{3}|[0-9A-Fa-f]{8}))"
_COMPACT: Final = re.compile(
    rb"^\((\d{1,12}\.\d+)\) " + _HEAD + rb"#([0-9A-Fa-f]{0,16})(?: [RT])?\r?\n", re.M
)
_SPACED: Final = re.compile(
    rb"^ *\((\d{1,12}\.\d+)\) +" + _HEAD + rb" +\[(\d)\] *((?: [0-9A-Fa-f]{2}){0,8}) *\r?\n", re.M
)
_EITHER: Final = re.compile(
    rb"\s*\((\d{1,12}(?:\.\d*)?|\d{4}-\d\d-\d\d \d\d:\d\d:\d\d\.\d+)\)"
    rb"\s+([\w.:-]+)\s+(?:[RT]X\s+[-B]\s+[-E]\s+)?"
    rb"([0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})(?:#(\S*)(?:\s+[RT])?|\s+\[(\d+)\]\s*(.*?)(?:\s+'.*')?)\s*"
)
_ERROR_FLAG: Final = 0x20000000  # SocketCAN sets it above the 29 bits of an identifier

# A marker ("marked at 62 km/h") is written as an error frame that no bus can produce: class "bus error" alone
# leaves byte 0 zero, ours is A5. Readers of the format take it for an error frame and drop it.
# Byte 1 says how many more pieces follow; each piece holds six bytes of UTF-8, zeros at the end.
MARK_ID: Final = 0x20000080
MARK_SIGN: Final = 0xA5

_Row = tuple[bytes, bytes, bytes]  # stamp, channel and identifier, hex digits
_Head = tuple[str, int, bool, str]  # "" or why it is no wanted frame, identifier, extended, channel


class Candump(Recording):
    """A recording of candump lines.

    Stamps that step back, or on by more than a day, are a clock that was set: the time goes on from where it
    was. `markers` runs ahead of the frames by a few hundred. Raises RecordingError when the file cannot be
    read or holds no frame at all.
    """

    def __init__(
        self,
        path: Path,
        wanted_ids: Container[tuple[int, bool]] | None = None,
        stop: Callable[[], bool] = lambda: False,
    ) -> None:
        super().__init__(path, wanted_ids, stop)
        self._heads: dict[bytes, _Head] = {}
        self._shift_s = 0.0  # from a stamp to our time; grows where the stamps step back
        self._last_s = 0.0  # of the newest frame given out
        self._mark = bytearray()
        self._damaged_line = 0

    def __iter__(self) -> Iterator[Frame]:
        return chain.from_iterable(self._batches())

    def _batches(self) -> Iterator[list[Frame]]:
        """The wanted frames, a piece of the file at a time."""
        try:
            with self.path.open("rb") as file:
                packed = self.path.suffix.lower() == ".gz"
                yield from self._pieces(gzip.GzipFile(fileobj=file) if packed else file)
        except (OSError, EOFError, zlib.error) as failure:
            reason = getattr(failure, "strerror", None) or str(failure)
            if not self.frames:
                raise RecordingError(
                    "a readable recording", reason, f"{self.path}", "check the file"
                ) from None
            self.notices.append(f"{self.path}: reading ended early: {reason}")
            self.counters["cut_recording"] += 1
        if not self.frames and not self._stop():
            raise RecordingError(
                "candump lines like (1600279140.020108) can0 7E8#04410C1AF8",
                "nothing usable" if self._damaged_line or self.counters else "an empty file",
                f"{self.path}:{self._damaged_line or 1}",
                "give a candump recording, or one whose suffix tells its format",
            )
        if damaged := self.counters["damaged_lines"]:
            self.notices.append(
                f"{self.path}:{self._damaged_line}: the first of {damaged} damaged lines, skipped"
            )

    def _pieces(self, file: BinaryIO | gzip.GzipFile) -> Iterator[list[Frame]]:
        rest, line, overlong = file.read(len(BOM_UTF8)).removeprefix(BOM_UTF8), 1, False
        while fresh := file.read(_PIECE_BYTES):
            if self._stop():  # asked here as well: no frame of it may be wanted
                return
            if overlong:  # one line is damaged, however long it is
                _, ended, fresh = fresh.partition(b"\n")
                overlong, line = not ended, line + len(ended)
            piece = rest + fresh
            end = piece.rfind(b"\n") + 1
            piece, rest = piece[:end], piece[end:]
            if lines := piece.count(b"\n"):
                yield self._piece(piece, lines, line)
                line += lines
            if len(rest) > _LONGEST_LINE:
                self._damage(line)
                rest, overlong = b"", True
        if rest:
            yield self._frames(self._cut_line(rest, line), [line])

    def _piece(self, piece: bytes, lines: int, line: int) -> list[Frame]:
        """The frames of whole lines, of which the first is number `line`."""
        rows: list[_Row] = _COMPACT.findall(piece)
        if len(rows) != lines:
            rows = [
                (stamp, head, pairs.replace(b" ", b"") if len(pairs) == 3 * int(length) else b"?")
                for stamp, head, length, pairs in _SPACED.findall(piece)
            ]
        if len(rows) == lines:
            return self._frames(rows, range(line, line + lines))
        rows, numbers = [], []
        for number, text in enumerate(piece.split(b"\n")[:-1], line):
            if row := self._row(text, number):
                rows += row
                numbers.append(number)
        return self._frames(rows, numbers)

    def _frames(self, rows: list[_Row], lines: Sequence[int]) -> list[Frame]:
        """The wanted frames among rows that stand on these lines."""
        if not rows:
            return []
        self.frames += len(rows)
        if self.start_s is None:
            rows, lines = self._begin(rows, lines)
        heads, shift_s, last_s = self._heads, self._shift_s, self._last_s
        frames: list[Frame] = []
        new, number, add = tuple.__new__, float, frames.append  # local: these lines run for every frame
        for stamp, head, digits in rows:
            drop, can_id, extended, channel = heads.get(head) or self._judge(head)
            if drop:
                if drop != "unwanted":
                    time_s = min(max(last_s, float(stamp) + shift_s), last_s + DAY_S)
                    self._odd(drop, lines[rows.index((stamp, head, digits))], time_s, digits)
                continue
            try:
                data = unhexlify(digits)
            except ValueError:
                self._damage(lines[rows.index((stamp, head, digits))], counted=True)
                continue
            time_s = number(stamp) + shift_s
            if not last_s <= time_s < last_s + _GAP_S:
                at = rows.index((stamp, head, digits))
                next_s = float(rows[at + 1][0]) + shift_s if at + 1 < len(rows) else time_s
                if abs(time_s - last_s) > STEP_BACK_S and last_s - STEP_BACK_S <= next_s < last_s + _GAP_S:
                    self._damage(lines[at], counted=True)  # alone in its time: a digit is wrong
                    continue
                if not -STEP_BACK_S <= time_s - last_s <= DAY_S:
                    self.counters["clock_steps"] += 1
                    shift_s, time_s = last_s - float(stamp), last_s
                time_s = max(time_s, last_s)
            last_s = time_s
            add(new(Frame, (time_s, can_id, extended, data, channel)))
        self._shift_s, self._last_s = shift_s, last_s
        stamp, head, _ = rows[-1]
        end_s = float(stamp) + shift_s if heads[head][0] == "unwanted" else last_s
        if end_s < last_s + DAY_S:
            self.duration_s = max(self.duration_s, last_s, end_s)
        return frames

    def _begin(self, rows: list[_Row], lines: Sequence[int]) -> tuple[list[_Row], Sequence[int]]:
        """Find the time of the first frame, from which all others count."""
        first_s, second_s, third_s = ([float(stamp) for stamp, _, _ in rows[:3]] * 3)[:3]
        if len(rows) > 2 and abs(second_s - first_s) > DAY_S > abs(third_s - second_s):
            self._damage(lines[0], counted=True)  # alone in its time
            rows, lines, first_s = rows[1:], lines[1:], second_s
        self.start_s, self._shift_s = first_s, -first_s
        return rows, lines

    def _judge(self, head: bytes) -> _Head:
        """What the frames of one channel and identifier are; asked once for each."""
        channel, identifier = head.split()
        can_id, extended = int(identifier, 16), len(identifier) == 8
        drop = ""
        if extended and can_id & _ERROR_FLAG:
            drop = "marker" if can_id == MARK_ID else "error_frames"
        elif can_id > (0x1FFFFFFF if extended else 0x7FF):
            drop = "damaged_lines"
        elif self._wanted is not None and (can_id, extended) not in self._wanted:
            drop = "unwanted"
        judged = self._heads[head] = (drop, can_id, extended, channel.decode("ascii"))
        return judged

    def _odd(self, drop: str, line: int, time_s: float, digits: bytes) -> None:
        if drop == "damaged_lines":
            self._damage(line, counted=True)
            return
        self.frames -= 1
        try:
            piece = unhexlify(digits) if drop == "marker" else b""
        except ValueError:
            piece = b""
        if len(piece) == 8 and piece[0] == MARK_SIGN:
            self._mark += piece[2:]
            if piece[1] == 0:
                text = self._mark.rstrip(b"\0").decode("utf-8", "replace")
                self.markers.append((max(0.0, time_s), text))
                self._mark.clear()
        else:
            self.counters["error_frames"] += 1

    def _damage(self, line: int, counted: bool = False) -> None:
        """Note a line that is no frame; `counted` when it had been taken for one."""
        self.frames -= counted
        self.counters["damaged_lines"] += 1
        self._damaged_line = self._damaged_line or line

    def _row(self, text: bytes, line: int) -> list[_Row]:
        """One line looked at by itself: its row, or nothing after counting why."""
        found = _EITHER.fullmatch(text)
        if found is None:
            if text.strip() and not text.lstrip().startswith((b"#", b"//")):  # blank lines and comments pass
                self._damage(line)
            return []
        stamp, channel, identifier, compact, length, spaced = found.groups()
        if compact is not None:
            kind = {b"#": "fd_frames", b"R": "remote_frames", b"r": "remote_frames"}.get(compact[:1])
            digits = compact if len(compact) <= 16 else b"?"
        else:
            pairs = spaced.split()
            kind = "remote_frames" if pairs[:1] == [b"remote"] else "fd_frames" if len(length) == 2 else None
            if pairs[-1:] == [b"ERRORFRAME"]:
                pairs.pop()
            whole = len(pairs) == int(length) and all(len(pair) == 2 for pair in pairs)
            digits = b"".join(pairs) if whole and len(pairs) <= 8 else b"?"
        if kind is not None:
            self.counters[kind] += 1
            return []
        if b"-" in stamp:
            try:
                stamp = b"%.6f" % datetime.fromisoformat(stamp.decode()).timestamp()  # written in local time
            except (ValueError, OverflowError):
                self._damage(line)
                return []
        return [(stamp, channel + b" " + identifier, digits)]

    def _cut_line(self, text: bytes, line: int) -> list[_Row]:
        """A last line without its end counts only if nothing can be missing: all eight bytes are there."""
        found = _EITHER.fullmatch(text)
        if found is not None and len(found[4] or b"") == 16:
            return self._row(text, line)
        self.counters["cut_last_line"] += 1
        self.notices.append(f"{self.path}:{line}: the last line is cut; left out")
        return []
