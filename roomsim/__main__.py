"""`python -m roomsim` is `roomsim`."""

from .cli import main

main()
