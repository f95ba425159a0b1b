"""What the microcontroller starts."""

import settings
from board import run
from wifi import join

run(settings, join(*settings.WIFI))
