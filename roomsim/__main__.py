"""`python -m roomsim` is `roomsim`."""

import os
import sys

if sys.path[:1] == [os.getcwd()]:
    # Python looks there first when it is started so, and the folder may have come with a stranger's study.
    del sys.path[0]

from .cli import main

main()
