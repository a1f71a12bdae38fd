"""The command line: arguments, printing, progress, exit codes. No computation happens here."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import NoReturn

from .stopping import open_closed_streams, stop_at_signals


def main(arguments: Sequence[str] | None = None) -> NoReturn:
    """Run the command line and end the process with its exit code.

    0 done; 1 done, but with findings; 2 wrong usage; 3 wrong input; 4 output or disk; 5 an internal
    error; 130 interrupted by Ctrl-C, 143 by SIGTERM.
    """
    stop_at_signals()
    is_open = open_closed_streams()
    from .application import OUTPUT, execute

    code = execute(list(sys.argv[1:] if arguments is None else arguments))
    if code == 0 and not is_open:
        print("Error: standard output is closed; nothing could be printed.", file=sys.stderr)
        code = OUTPUT
    sys.exit(code)
