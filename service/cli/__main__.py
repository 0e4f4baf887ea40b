"""`python -m service.cli` is the command `combwright`."""

from service.cli import main

main()
