"""Any recorded drive as Frames: our candump reader for text, python-can's readers for every other format."""

from __future__ import annotations

from collections import Counter
from collections.abc import Container, Iterator
from pathlib import Path
from typing import Final, Protocol

from livemon.errors import RecordingError
from livemon.records import Frame
from livemon.sources.candump import Candump

_TEXT: Final = frozenset({".log", ".txt", ".candump", ""})
_OTHER: Final = frozenset({".asc", ".blf", ".csv", ".db", ".mf4", ".trc"})


class Recording(Protocol):
    """A recorded drive. Iterate it once; the rest is complete when the iteration has ended.

    Times count from the first frame, wanted or not, and never go back; `start_s` is its own stamp.
    """

    frames: int
    counters: Counter[str]
    notices: list[str]
    markers: list[tuple[float, str]]
    start_s: float | None
    duration_s: float

    def __iter__(self) -> Iterator[Frame]: ...


def open_recording(path: str | Path, wanted_ids: Container[tuple[int, bool]] | None = None) -> Recording:
    """The recording at `path`, read by what its suffix says; RecordingError when it cannot be."""
    path = Path(path)
    suffixes = [suffix.lower() for suffix in path.suffixes]
    suffix = suffixes[-1] if suffixes else ""
    if suffix == ".gz":
        suffix = suffixes[-2] if len(suffixes) > 1 else ""
    if path.is_dir() or not path.exists():
        came = "a directory" if path.is_dir() else "no such file"
        raise RecordingError("a recording", came, f"{path}", "check the path")
    if suffix in _OTHER:
        return OtherFormat(path, wanted_ids)
    if suffix in _TEXT:
        return Candump(path, wanted_ids)
    raise RecordingError(
        f"a suffix of {' '.join(sorted((_TEXT | _OTHER) - {''}))} or one of these and .gz",
        repr(suffix),
        f"{path}",
        "rename the file to what it is",
    )


class OtherFormat:
    """A recording that python-can reads. The only way through which its readers' exceptions pass."""

    def __init__(self, path: Path, wanted_ids: Container[tuple[int, bool]] | None = None) -> None:
        self.path = path
        self.frames = 0
        self.counters: Counter[str] = Counter()
        self.notices: list[str] = []
        self.markers: list[tuple[float, str]] = []
        self.start_s: float | None = None
        self.duration_s = 0.0
        self._wanted = wanted_ids

    def __iter__(self) -> Iterator[Frame]:
        import can

        shift_s = 0.0
        try:
            with can.LogReader(self.path) as reader:
                for message in reader:
                    if message.is_error_frame or message.is_remote_frame or message.is_fd:
                        kind = "error" if message.is_error_frame else "fd" if message.is_fd else "remote"
                        self.counters[kind + "_frames"] += 1
                        continue
                    if self.start_s is None:
                        self.start_s = message.timestamp
                        shift_s = -self.start_s
                    self.frames += 1
                    time_s = message.timestamp + shift_s
                    if time_s < self.duration_s:
                        if time_s < self.duration_s - 0.5:
                            self.counters["clock_steps"] += 1
                            shift_s += self.duration_s - time_s
                        time_s = self.duration_s
                    self.duration_s = time_s
                    key = (message.arbitration_id, message.is_extended_id)
                    if self._wanted is None or key in self._wanted:
                        channel = "can0" if message.channel is None else str(message.channel)
                        yield Frame(time_s, *key, bytes(message.data), channel)
        except Exception as failure:  # its readers raise whatever Python raises
            reason = f"{type(failure).__name__}: {failure}".split("\n")[0]
            if not self.frames:
                raise RecordingError(
                    f"a recording in the format of its suffix {self.path.suffix}",
                    reason,
                    f"{self.path}",
                    "check that the file is whole and its suffix right",
                ) from None
            self.notices.append(f"{self.path}: reading ended after frame {self.frames}: {reason}")
            self.counters["cut_recording"] += 1
        if not self.frames:
            raise RecordingError("at least one CAN frame", "none", f"{self.path}", "give another recording")
