"""`python -m service.cli` is the command `combwright`."""

from service.cli.main import main

main()
