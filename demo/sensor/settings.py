"""What is yours: fill this in, then copy all files of this folder to the microcontroller."""

WIFI = ("the network's name", "its password")

BROKER = "192.168.1.10"
PORT = 8883  # 1883 without TLS
AUTHORITY = "ca.der"  # a file beside this one, see docs/integrations.md; None: without TLS
USER = "reed"  # an account that may write this tank's topics only
PASSWORD = ""

PREFIX = "littoral"
TANK = "reed"  # the tank's id in the registry
SENSOR = "board-1"  # this board's name among the tank's sensors

PERIOD_S = 30  # one reading of each probe in so many seconds
QUEUE = 2000  # readings kept in memory while the network is away

# Pins, by number; None: not connected.
THERMOMETER_PIN = 4  # data line of the digital thermometer, 4.7 kOhm to 3.3 V
PH_PIN = 34  # output of the pH amplifier, through its divider: never above 3.3 V
LIGHT_PIN = 35  # output of the light amplifier: never above 3.3 V
