"""Numbers that both ends give a name to: routes, states, reasons, channels, targets.

Plain integers, because MicroPython has no enum; the host wraps them. A number that is not listed here comes
from newer firmware and is shown as its number. The tuples give the wire names in order of number.
"""

try:
    from micropython import const  # type: ignore[import-not-found,unused-ignore]
except ImportError:  # CPython

    def const(value: int) -> int:
        return value


PROTOCOL_MAJOR = const(1)
PROTOCOL_MINOR = const(2)

# Route: what the machine's lines are connected to.
ROUTE_OPEN = const(0)
ROUTE_THROUGH = const(1)
ROUTE_STANDIN = const(2)
ROUTE_SHIFTED = const(3)
ROUTES = ("open", "through", "standin", "shifted")

# Interlock state.
DISARMED = const(0)
ARMED = const(1)
TRIPPED = const(2)
LOCK_STATES = ("disarmed", "armed", "tripped")

# Why the jig let go, or why its lock state changed.
REASON_NONE = const(0)
REASON_HOST = const(1)  # the host asked for it
REASON_BOOT = const(2)
REASON_SILENCE = const(3)  # 1 s without a heartbeat
REASON_SUPPLY_LOSS = const(4)  # supply on the sensor connector went away
REASON_OVERVOLTAGE = const(5)  # supply on the sensor connector above the profile's window
REASON_CONTENTION = const(6)  # an output read back wrong for 5 ms
REASON_FIRMWARE = const(7)  # an exception in the firmware
REASON_WATCHDOG = const(8)  # the last boot was forced by the watchdog
REASONS = (
    "none",
    "host",
    "boot",
    "silence",
    "supply_loss",
    "overvoltage",
    "contention",
    "firmware",
    "watchdog",
)

# Why a request was refused.
REFUSED_NOT_ARMED = const(1)
REFUSED_TRIPPED = const(2)
REFUSED_SUPPLY_MISSING = const(3)
REFUSED_SUPPLY_WINDOW = const(4)
REFUSED_NO_PROFILE = const(5)
# In range for the wire, not for this board or profile; detail = which field, from 0. Also `measure` of a channel whose
# part gives no readings.
REFUSED_RANGE = const(6)
REFUSED_BUSY = const(7)
REFUSED_QUEUE_FULL = const(8)
REFUSED_ROUTE = const(9)  # not possible in this route
REFUSED_STALE = const(10)  # older than the last request that was carried out; not carried out
REFUSED_UNKNOWN = const(11)  # this firmware has no such request
REFUSED_NO_SESSION = const(12)  # say hello first
REFUSED_VERSION = const(13)  # another protocol major
REFUSED_BAD_BLOB = const(14)  # profile or wiring does not parse; detail = position of the first bad field
REFUSED_STORAGE = const(15)  # the board's flash did not take it
REFUSED_ARMED = const(16)  # only while disarmed
REFUSED_MEMORY = const(17)  # the board has no memory left for what this needs; all else goes on
REFUSALS = (
    "none",
    "not_armed",
    "tripped",
    "supply_missing",
    "supply_window",
    "no_profile",
    "range",
    "busy",
    "queue_full",
    "route",
    "stale",
    "unknown_request",
    "no_session",
    "version",
    "bad_blob",
    "storage",
    "armed",
    "memory",
)

# Shape of a motion segment.
SHAPE_LINEAR = const(0)
SHAPE_SMOOTH = const(1)  # minimum jerk
SHAPES = ("linear", "smooth")

# Analog channels. CHANNEL_FULL_SCALE: value at raw 65535, in CHANNEL_UNITS, by the dividers in WIRING.md.
CH_SUPPLY = const(0)  # sensor supply given by the machine
CH_M1 = const(1)  # machine side, line 1
CH_M2 = const(2)
CH_VS = const(3)  # supply at the real sensor
CH_S1 = const(4)  # sensor side, line 1
CH_S2 = const(5)
CH_CHARGER_V = const(6)
CH_CHARGER_I = const(7)
CH_JIG = const(8)  # the jig's own 3.3 V
CH_LIGHT = const(9)
CH_METER_1_V = const(10)  # power monitor 1 (charger supply): bus register, 1.25 mV a step
CH_METER_1_I = const(11)  # its current register + 32768; the step follows from the calibration written to it
CH_METER_2_V = const(12)  # power monitor 2 (sensor supply)
CH_METER_2_I = const(13)
CH_PULSES = const(14)  # rising edges of the tach line in the last 100 ms
CHANNELS = (
    "supply",
    "machine_1",
    "machine_2",
    "sensor_supply",
    "sensor_1",
    "sensor_2",
    "charger_v",
    "charger_i",
    "jig_3v3",
    "light",
    "meter_1_v",
    "meter_1_i",
    "meter_2_v",
    "meter_2_i",
    "pulses",
)
# The ten channels of the converter: what raw 65535 stands for. Those after them are registers and counts.
CHANNEL_UNITS = ("mV", "mV", "mV", "mV", "mV", "mV", "mV", "mA", "mV", "permille")
CHANNEL_FULL_SCALE = (6600, 6600, 6600, 6600, 6600, 6600, 36300, 3300, 6600, 1000)
METER_ZERO = const(32768)  # raw reading of a current register that holds 0
PULSE_WINDOW_MS = const(100)

# Fastest sampling, ms a reading.
SAMPLE_MIN_MS = (1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 5, 5, 5, 5, 20)

# Power monitors and their bus.
BUS_NOT_WIRED = const(0)
BUS_OK = const(1)
BUS_HUNG = const(2)  # a part holds it and lets go for no clock
BUS_STATES = ("not_wired", "ok", "hung")
METER_NONE = const(0)  # not wired on this bench
METER_OK = const(1)
METER_MISSING = const(2)  # nothing answers at its address
METER_FAILED = const(3)  # answered before, or is no part of this type
METER_STATES = ("none", "ok", "missing", "failed")

# Digital lines, as bits of a mask and as line numbers in edge events.
LINE_M1 = const(0)
LINE_M2 = const(1)
LINE_S1 = const(2)
LINE_S2 = const(3)
LINE_SUPPLY_OK = const(4)
LINE_MARK = const(5)  # 1 = pressed
LINE_OBS1 = const(6)
LINE_OBS2 = const(7)
LINE_OBS3 = const(8)  # on the pins of the monitors' bus, where no bus is wired
LINE_OBS4 = const(9)
LINES = (
    "machine_1",
    "machine_2",
    "sensor_1",
    "sensor_2",
    "supply_ok",
    "mark",
    "observer_1",
    "observer_2",
    "observer_3",
    "observer_4",
)

# Test loads: 10 kohm to ground or to the high level of that side.
LOAD_OFF = const(0)
LOAD_LOW = const(1)
LOAD_HIGH = const(2)
LOADS = ("off", "low", "high")
TARGET_M1 = const(0)
TARGET_M2 = const(1)
TARGET_S1 = const(2)
TARGET_S2 = const(3)
TARGETS = ("machine_1", "machine_2", "sensor_1", "sensor_2")

# What an output does that is overridden.
DRIVEN_FOLLOW = const(0)  # not overridden: the profile
DRIVEN_LOW = const(1)
DRIVEN_HIGH = const(2)
DRIVEN_RELEASED = const(3)
DRIVEN_ERROR = const(4)  # what the profile says for an internal error of the sensor
DRIVEN = ("follow", "low", "high", "released", "error")

# What a real sensor on I2C did when its registers were read.
SENSOR_ANSWERED = const(0)
SENSOR_SILENT = const(1)  # nobody acknowledged the address
SENSOR_HELD = const(2)  # a line of the bus is low, or was held so for too long
SENSOR_ANSWERS = ("answered", "silent", "held")

# What to do with the count of steps.
COUNT_STOP = const(0)
COUNT_BEGIN = const(1)  # from 0
COUNT_READ = const(2)
COUNTS = ("stop", "begin", "read")

# Blobs kept on the board's flash.
BLOB_PROFILE = const(1)
BLOB_WIRING = const(2)
BLOB_TRIM = const(3)  # of an angle sensor's output: family_blobs.TRIM_FIELDS

# Ability bits in hello.
ABILITY_RELAY = const(1)  # through and open by relay contacts
ABILITY_SENSOR_POWER = const(2)  # can feed the real sensor itself
ABILITY_OUTPUTS_2 = const(4)
ABILITY_BUS = const(8)  # power monitors on a bus of its own
ABILITY_SAMPLING = const(16)
ABILITY_READING = const(32)  # capture, registers, word, count: reads a real sensor that tells an angle

# Reset causes in boot events and hello.
RESET_POWER = const(0)
RESET_SOFT = const(1)
RESET_WATCHDOG = const(2)
RESET_HOST = const(3)
RESETS = ("power", "soft", "watchdog", "host")

# Firmware log codes.
LOG_BOOT = const(1)
LOG_TRIP = const(2)
LOG_EXCEPTION = const(3)
LOG_BLOB_LOADED = const(4)
LOG_BLOB_BAD = const(5)
LOG_BLOB_SAVED = const(6)
LOG_TX_DROPPED = const(7)
LOG_EVENTS_LOST = const(8)
LOG_HELLO = const(9)
LOG_TICK_LATE = const(10)
LOG_METER = const(11)  # a power monitor changed state
LOG_BUS_FREED = const(12)
LOG_BUS_HUNG = const(13)
LOG_SAMPLES_LOST = const(14)
LOG_CODES = (
    "none",
    "boot",
    "trip",
    "exception",
    "blob_loaded",
    "blob_bad",
    "blob_saved",
    "tx_dropped",
    "events_lost",
    "hello",
    "tick_late",
    "meter",
    "bus_freed",
    "bus_hung",
    "samples_lost",
)
