"""What every recording offers while it is read, whatever its format."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections import Counter
from collections.abc import Callable, Container, Iterator
from pathlib import Path

from livemon.records import Frame


class Recording(ABC):
    """A recorded drive, read once from its beginning. Iterate it for the frames in `wanted_ids` (None: all).

    Times count from the first frame, wanted or not, and never go back; `start_s` is that frame's own stamp.
    `frames` counts all data frames, `counters` what was dropped; `notices` say what is worth a sentence,
    `markers` are (time, text). All are complete when the iteration has ended. `stop` is asked while the file
    is read, wanted frames or not, and ends it there.
    """

    def __init__(
        self,
        path: Path,
        wanted_ids: Container[tuple[int, bool]] | None = None,
        stop: Callable[[], bool] = lambda: False,
    ) -> None:
        self.path = path
        self.frames = 0
        self.counters: Counter[str] = Counter()
        self.notices: list[str] = []
        self.markers: list[tuple[float, str]] = []
        self.start_s: float | None = None
        self.duration_s = 0.0
        self._wanted, self._stop = wanted_ids, stop

    @abstractmethod
    def __iter__(self) -> Iterator[Frame]: ...
