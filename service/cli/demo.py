"""``littoral demo``: the main job on invented tanks with simulated sensors."""

from demo.command import command

__all__ = ["command"]
