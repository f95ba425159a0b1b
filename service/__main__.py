"""``python -m service``: the command ``littoral``."""

from service.cli import main

main()
