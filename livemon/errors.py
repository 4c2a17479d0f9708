"""The error tree. One class for each thing a user would do differently about.

    LivemonError                     anything livemon says in one line on stderr
    ├── UsageError          exit 2   the command line or a vehicle file is wrong: correct it
    ├── RecordingError      exit 2   a recording or DBC cannot be used: give another file
    ├── LinkError           exit 3   cable, port, bus, adapter or vehicle does not answer: see to the link
    └── RefusedError        exit 2   something tried to send what livemon never sends: a bug, report it

A message always says what was expected, what came, where (path:line or port) and what to do.
Anything else that escapes is a bug.
"""


class LivemonError(Exception):
    """Base of every error livemon raises on purpose."""

    exit_status = 2

    def __init__(self, expected: str, came: str, where: str, do: str) -> None:
        self.expected, self.came, self.where, self.do = expected, came, where, do
        super().__init__(f"{where}: expected {expected}, got {came}; {do}")


class UsageError(LivemonError):
    """The command line or a vehicle file is wrong."""


class RecordingError(LivemonError):
    """A recording or a DBC file cannot be used."""


class LinkError(LivemonError):
    """The cable, port, bus, adapter or vehicle does not answer."""

    exit_status = 3


class RefusedError(LivemonError):
    """A caller tried to send something other than a read request. Never sent."""
