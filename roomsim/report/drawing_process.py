"""Run as a program of its own: draws what the process that started it asks for.

It is started isolated (`python -I`), so that nothing is imported from the folder that the user happens to be in,
nor from where variables of the environment point: a study may come from a stranger. It reads from
standard input where `roomsim` lies, where other packages lie, and what to do. That pipe is its lifeline: when it
breaks, the process that waits for the pictures is no more.
"""

import os
import pickle
import sys
import threading
from importlib.util import module_from_spec, spec_from_file_location


def _end_with_parent() -> None:
    os.read(0, 1)
    if (files := sys.modules.get("roomsim.files")) is not None:
        files.discard_unfinished()
    os._exit(1)


def _import_from(package: str) -> None:
    """Import `roomsim` from exactly this folder: other places for it do not count, nor what else lies beside it."""
    front = os.path.join(package, "__init__.py")
    spec = spec_from_file_location("roomsim", front, submodule_search_locations=[package])
    assert spec is not None and spec.loader is not None
    sys.modules["roomsim"] = module = module_from_spec(spec)
    spec.loader.exec_module(module)


def main() -> None:
    """Draw, and leave with 0 if every picture could be drawn."""
    order = sys.stdin.buffer.read(int.from_bytes(sys.stdin.buffer.read(8), "little"))
    threading.Thread(target=_end_with_parent, daemon=True).start()
    package, path, task = pickle.loads(order)
    _import_from(package)
    sys.path[:] = path
    sys.exit(1 if pickle.loads(task)() else 0)


if __name__ == "__main__":
    main()
