"""Program that draws pictures on request of the process that started it.

It is started in isolated mode (`python -I`), so that nothing is imported from the working folder or from paths in
environment variables, because a study may come from an untrusted source. It reads the location of `roomsim`, the import
path and its task from standard input. When this pipe is closed, the process that waits for the pictures has ended, and
so does this program.
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
    """Import `roomsim` from exactly this folder, and nothing else from the folder that contains it."""
    front = os.path.join(package, "__init__.py")
    spec = spec_from_file_location("roomsim", front, submodule_search_locations=[package])
    assert spec is not None and spec.loader is not None
    sys.modules["roomsim"] = module = module_from_spec(spec)
    spec.loader.exec_module(module)


def main() -> None:
    """Draw, and exit with 0 if every picture could be drawn."""
    request = sys.stdin.buffer.read(int.from_bytes(sys.stdin.buffer.read(8), "little"))
    threading.Thread(target=_end_with_parent, daemon=True).start()
    package, path, task = pickle.loads(request)
    _import_from(package)
    sys.path[:] = path
    sys.exit(1 if pickle.loads(task)() else 0)


if __name__ == "__main__":
    main()
