# What a curve gives where there is no angle to tell. Apart from curve.py, which a switch never loads.
from micropython import const

LOW = const(-1)  # the line rests low, high, or the format says that something is wrong
HIGH = const(-2)
ERROR = const(-3)
NOTHING = const(-9)  # nothing was sent yet
