"""Commands on what is stored: import, export, copy, recalibrate, upkeep, backup, restore."""
