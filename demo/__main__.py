"""``python -m demo``: what ``littoral demo`` starts."""

import sys

from demo.command import command
from service.app.command_line import run_command

if __name__ == "__main__":
    sys.exit(run_command(command, sys.argv[1:], "littoral demo"))
