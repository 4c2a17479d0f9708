"""The trace: one CSV row an estimate. On the hot path, so one f-string and one buffered write a row."""

from __future__ import annotations

from math import isfinite
from pathlib import Path
from typing import Final

from livemon.errors import UsageError
from livemon.records import Estimate

COLUMNS: Final = (
    "time_s,engine_rpm,turbine_rpm,slip_rpm,slip_sd_rpm,speed_ratio,gear,regime,"
    "pump_torque_nm,capacity_rpm_per_sqrt_nm,torque_ratio"
)


class TraceWriter:
    """Writes estimates as CSV. Empty means not known.

    A disk that fills up later stops the trace, not the drive: `notice` then says so, and `check` raises it.
    """

    def __init__(self, path: str | Path) -> None:
        self.notice = ""
        self._reason = ""
        self._path = Path(path)
        try:
            self._file = self._path.open("w", encoding="ascii", newline="\n", buffering=1 << 16)
        except OSError as error:
            raise UsageError(
                "a file that can be written",
                error.strerror or str(error),
                str(path),
                "give another --trace path",
            ) from None
        self._write = self._file.write
        self._write(COLUMNS + "\n")

    def write(self, e: Estimate) -> None:
        """Write one row."""
        slip, torque, ratio = e.slip_rpm, e.pump_torque_nm, e.torque_ratio
        if slip is None or e.turbine_rpm is None or e.speed_ratio is None:
            row = _sparse(e)
        elif torque is not None and ratio is not None and e.capacity_rpm_per_sqrt_nm is not None:
            row = (
                f"{e.time_s:.3f},{e.engine_rpm:.2f},{e.turbine_rpm:.1f},{slip:.1f},{e.slip_sd_rpm:.2f},"
                f"{e.speed_ratio:.4f},{e.gear},{e.named_regime},"
                f"{torque:.1f},{e.capacity_rpm_per_sqrt_nm:.2f},{ratio:.3f}\n"
            )
        elif torque is None and ratio is None and e.capacity_rpm_per_sqrt_nm is None:
            row = (
                f"{e.time_s:.3f},{e.engine_rpm:.2f},{e.turbine_rpm:.1f},{slip:.1f},{e.slip_sd_rpm:.2f},"
                f"{e.speed_ratio:.4f},{e.gear},{e.named_regime},,,\n"
            )
        else:
            row = _sparse(e)
        if "N" in row or "nan" in row or "inf" in row:  # None in the gear, or not a number
            row = _sparse(e)
        try:
            self._write(row)
        except OSError as error:
            self._reason = error.strerror or str(error)
            self.notice = f"{self._path}: the trace stops here, {self._reason}"
            self._write = _nowhere

    def close(self) -> None:
        """Write out what is buffered and close. Safe to call twice."""
        try:
            self._file.close()
        except OSError as error:
            self._reason = error.strerror or str(error)
            self.notice = f"{self._path}: the trace is cut short, {self._reason}"

    def check(self) -> None:
        """Raise UsageError when not all of the trace was written."""
        if self._reason:
            do = "make room there or give another --trace path"
            raise UsageError("a file that takes the whole trace", self._reason, str(self._path), do)


def _sparse(e: Estimate) -> str:
    """The row with a cell left empty wherever the value is not known or not a number."""
    sd = None if e.slip_rpm is None else e.slip_sd_rpm
    cells = (
        _cell(e.time_s, 3), _cell(e.engine_rpm, 2), _cell(e.turbine_rpm, 1), _cell(e.slip_rpm, 1),
        _cell(sd, 2), _cell(e.speed_ratio, 4), _cell(e.gear, 0), e.named_regime,
        _cell(e.pump_torque_nm, 1), _cell(e.capacity_rpm_per_sqrt_nm, 2), _cell(e.torque_ratio, 3),
    )  # fmt: skip
    return ",".join(cells) + "\n"


def _cell(value: float | None, digits: int) -> str:
    return "" if value is None or not isfinite(value) else f"{value:.{digits}f}"


def _nowhere(row: str) -> int:
    return len(row)
