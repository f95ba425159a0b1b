"""``python -m demo``: the same as ``littoral demo``."""

from demo.command import command

if __name__ == "__main__":
    command(prog_name="littoral demo")
