"""What the simulated pins see; the scenario changes it."""

microvolts = {}  # pin -> list of readings, given in turn
celsius = None  # None: no thermometer answers
broken = False  # its checksum is wrong
