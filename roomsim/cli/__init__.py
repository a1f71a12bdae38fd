"""The command line: arguments, printing, progress, exit codes. No computation happens here."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import NoReturn


def main(arguments: Sequence[str] | None = None) -> NoReturn:
    """Run the command line and leave with its exit code.

    0 done; 1 done, but with findings; 2 wrong usage; 3 wrong input; 4 output or disk; 5 a fault of the
    program itself; 130 interrupted.
    """
    from .application import execute

    sys.exit(execute(list(sys.argv[1:] if arguments is None else arguments)))
