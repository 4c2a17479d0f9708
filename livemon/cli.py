"""The command line: picks the command, maps errors to one line and an exit status. Computes nothing.

Exit status: 0 ran to its end, 2 wrong usage or unusable file, 3 the link failed, 130 interrupted.
"""

from __future__ import annotations

import argparse
import os
import signal
import sys
from collections.abc import Sequence
from contextlib import suppress
from importlib import import_module
from typing import TYPE_CHECKING, Final, NoReturn, TextIO

from livemon import __version__
from livemon.errors import LivemonError, UsageError

if TYPE_CHECKING:
    from _typeshed import SupportsWrite

# command: (module, what it is for). A module is imported only when its command is chosen.
COMMANDS: Final[dict[str, tuple[str, str]]] = {
    "demo": ("livemon.commands.demo", "watch a simulated vehicle; no hardware needed"),
    "watch": ("livemon.commands.watch", "watch a vehicle through an adapter, live"),
    "replay": ("livemon.commands.replay", "judge a recorded drive"),
    "survey": ("livemon.commands.survey", "what this vehicle answers, how fast, and what can be judged"),
    "vehicle": ("livemon.commands.vehicle", "make, check or calibrate a vehicle file"),
    "stall": ("livemon.commands.stall", "expected stall speed with its band"),
    "fleet": ("livemon.commands.fleet", "judge many recordings and rank the vehicles"),
    "history": ("livemon.commands.history", "past checks of this and other vehicles"),
}

USAGE: Final = "usage: livemon COMMAND [options]    (livemon COMMAND --help for its options)"
SAFETY: Final = (
    "Read-only: livemon only asks, it never writes to a vehicle. The driver drives, a second person\n"
    "watches. It supports a licensed technician's judgement, the maker's procedure and local law; it\n"
    "replaces none of them."
)


class OneLineParser(argparse.ArgumentParser):
    """argparse whose errors are livemon's one line."""

    def print_help(self, file: SupportsWrite[str] | None = None) -> None:
        (file or sys.stdout).write(self.format_help())  # argparse would pass over a full disk

    def error(self, message: str) -> NoReturn:
        raise UsageError("a valid command line", message, self.prog, f"see {self.prog} --help")


def overview() -> str:
    lines = [USAGE, ""]
    lines += [f"  {name:<8} {purpose}" for name, (_, purpose) in COMMANDS.items()]
    return "\n".join([*lines, "", "  --version, --help", "", SAFETY])


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status. Never lets a LivemonError, Ctrl-C or full disk escape."""
    arguments = list(sys.argv[1:] if argv is None else argv)
    sys.stdout = sys.stdout or _nowhere()  # closed by whoever started us: None
    sys.stderr = sys.stderr or _nowhere()
    status = 0
    try:
        try:
            status = _dispatch(arguments)
        except LivemonError as error:
            status = _tell(error)
        except KeyboardInterrupt:
            status = 130
        finally:
            sys.stdout.flush()  # what is still buffered may fail too, and later nobody could say so
    except KeyboardInterrupt:  # while a reader that takes nothing is waited for
        _let_go()
        status = 130
    except BrokenPipeError:  # `livemon ... | head`: the reader has seen enough
        _let_go()
    except OSError as error:
        _let_go()
        expected = "a file that can be used" if error.filename else "an output that takes what is written"
        where, came = str(error.filename or "standard output"), error.strerror or str(error)
        status = _tell(UsageError(expected, came, where, "make room or give another place"))
    return status


def _tell(error: LivemonError) -> int:
    from livemon.views.sentences import clean

    with suppress(OSError):  # standard error may be full or gone as well
        sys.stderr.write(f"livemon: {clean(' '.join(str(error).split()))}\n")
    return error.exit_status


def _nowhere() -> TextIO:
    return os.fdopen(os.open(os.devnull, os.O_WRONLY), "w", encoding="utf-8")


def _let_go() -> None:
    """What standard output still holds goes nowhere, or Python would complain of it at the very end."""
    with suppress(OSError, ValueError):  # no file behind it
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _dispatch(arguments: list[str]) -> int:
    if not arguments or arguments[0] in ("-h", "--help", "help"):
        sys.stdout.write(overview() + "\n")
        return 0
    name, rest = arguments[0], arguments[1:]
    if name == "--version":
        sys.stdout.write(f"livemon {__version__}\n")
        return 0
    if name not in COMMANDS:
        from difflib import get_close_matches

        near = get_close_matches(name, COMMANDS, n=1, cutoff=0.0)[0]
        raise UsageError("a command", repr(name), "livemon", f"did you mean '{near}'? see livemon --help")
    module = import_module(COMMANDS[name][0])
    parser = OneLineParser(prog=f"livemon {name}", description=COMMANDS[name][1], epilog=SAFETY)
    module.add_arguments(parser)
    parsed = parser.parse_args(rest)
    for option, value in vars(parsed).items():
        if "" in (value if isinstance(value, list) else (value,)):
            expected = f"a value for {option.replace('_', '-')}"
            raise UsageError(expected, "an empty one", parser.prog, "give one or leave it out")
    _quieten()
    status: int = module.run(parsed)
    return status


def _quieten() -> None:
    """Libraries write log lines of their own; what a user should know comes as counters and notices."""
    import logging

    for library in ("can", "cantools", "matplotlib"):
        logger = logging.getLogger(library)
        logger.addHandler(logging.NullHandler())
        logger.propagate = False


def script() -> NoReturn:
    """Entry point of the console script. A service stop or a hang-up interrupts like Ctrl-C.

    So it loses nothing that a command would still write; one that ends for it in another way, as a drive
    does, listens itself.
    """
    for name in ("SIGTERM", "SIGHUP"):  # not every system has the last
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) is signal.SIG_DFL:  # nohup ignores a hang-up
            signal.signal(number, signal.default_int_handler)
    raise SystemExit(main())
