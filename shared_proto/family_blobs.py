"""Profile records of sensors that tell an angle: every family but the switch (blobs.py).

Apart, since a board with a switch in force never loads it. The host packs these from TOML; the board parses them, folds
the angle into a curve and builds the one family that is named.
"""

from shared_proto.blobs import ANGLE_MAX_MDEG

ANALOG = 2
PWM = 3
SENT = 4
I2C = 5
SSI = 6
QUADRATURE = 7
SINCOS = 8
# By number; the board's module of a family has its name (device/firmware/families).
FAMILIES = ("", "switch", "analog", "pwm", "sent", "i2c", "ssi", "quadrature", "sincos")

VERSION = 2  # of the record, where blobs.BLOB_VERSION is the switch's
VERSION_SENT = 3  # of a SENT sensor's: messages

# What an output does where there is no angle to tell: holds its last code, rests low or high, sends the format's error.
OUTSIDE = ("hold", "low", "high", "error")
ERRORS = 37  # the error of the angle stands at 0, 10, .. 360 deg
ERROR_STEP_MDEG = 10000

_COMMON = (
    ("version", "B", VERSION, VERSION_SENT, "layout of this record: 2, of a SENT sensor 3"),
    ("family", "B", ANALOG, SINCOS, "family_blobs.FAMILIES"),
    ("safe_route", "B", 0, 1, "names.ROUTES: open or through"),
    ("update_us", "I", 1000, 1000000, "how often the emulated sensor looks at the angle"),
    ("supply_min_mv", "H", 1000, 5500, "supply window"),
    ("supply_max_mv", "H", 1000, 5500, ""),
    ("angle_min_mdeg", "i", 0, ANGLE_MAX_MDEG, "angles outside are refused"),
    ("angle_max_mdeg", "i", 0, ANGLE_MAX_MDEG, ""),
    ("start_mdeg", "i", 0, ANGLE_MAX_MDEG, "angle after the profile is loaded"),
    ("operate_mdeg_1", "i", 0, ANGLE_MAX_MDEG, "below it the lid counts as shut: event output"),
    ("release_mdeg_1", "i", 0, ANGLE_MAX_MDEG, "above it as open"),
    ("zero_mdeg", "i", 0, ANGLE_MAX_MDEG - 1, "lid angle at the start of the span"),
    ("span_mdeg", "i", 18000, ANGLE_MAX_MDEG, ""),
    ("down", "B", 0, 1, "1 = the output falls as the lid opens"),
    ("wrap", "B", 0, 1, "1 = begins anew past a full turn"),
    ("hysteresis_mdeg", "H", 0, 10000, ""),
    ("lag_us", "I", 0, 1000000, "time constant of the sensor's filter"),
    ("noise_mdeg", "H", 0, 5000, "rms"),
    ("codes", "I", 2, 65536, "positions of the span that the format tells apart"),
    ("below", "B", 0, 3, "family_blobs.OUTSIDE: before the span"),
    ("above", "B", 0, 3, "past the span"),
    ("power_up", "B", 0, 3, "until the first look at the angle"),
    ("internal_error", "B", 0, 3, ""),
)

_OWN = {
    ANALOG: (
        ("via", "B", 0, 1, "0 = filtered PWM, 1 = DAC on the bus"),
        ("low_permyriad", "H", 0, 10000, "output at code 0, in 1/10000 of the supply"),
        ("high_permyriad", "H", 0, 10000, "output at the last code"),
        ("fault_low_permyriad", "H", 0, 10000, ""),
        ("fault_high_permyriad", "H", 0, 10000, ""),
        ("pwm_hz", "I", 8, 1000000, ""),
    ),
    PWM: (
        ("period_ns", "I", 10000, 125000000, "of a frame"),
        ("head_clocks", "H", 0, 65535, "active in every frame"),
        ("tail_clocks", "H", 0, 65535, "at rest in every frame"),
        ("active_high", "B", 0, 1, ""),
        ("push_pull", "B", 0, 1, ""),
    ),
    SENT: (
        ("tick_ns", "I", 3000, 90000, ""),
        ("frame_format", "B", 1, 7, "1..7 = H.1..H.7"),
        ("legacy_crc", "B", 0, 1, ""),
        ("frame_ticks", "H", 0, 1100, "constant length by a pause pulse; 0 = no pause"),
        ("status", "B", 0, 15, "status nibble"),
        ("low_ticks", "B", 4, 10, "low time of every pulse"),
        ("serial", "B", 0, 2, "family_blobs.SERIAL: messages told by bits 2 and 3 of the status nibble"),
        ("messages", "B", 0, 4, "how many, sent in turn; of a short one the id is at most 15, its data 255"),
    ),
    I2C: (
        ("address", "B", 8, 0x77, ""),
        ("layout", "B", 0, 1, "0 = 12-bit map, 1 = 14-bit map"),
        ("zpos", "H", 0, 4095, ""),
        ("mpos", "H", 0, 4095, ""),
        ("mang", "H", 0, 4095, ""),
        ("conf", "H", 0, 0x3FFF, ""),
        ("burns", "B", 0, 3, "how often the angle was burned"),
        ("raw_angle", "B", 0, 1, "1 = codes are those of RAW ANGLE, 0 = of ANGLE"),
        ("scaled", "B", 0, 1, "1 = ANGLE is spread over all codes of a narrowed range"),
    ),
    SSI: (
        ("status", "B", 0, 15, "status bits"),
        ("clock_max_hz", "I", 1000, 16000000, ""),
        ("out_falling", "B", 0, 1, "1 = bits come out at the falling edge of the clock"),
    ),
    QUADRATURE: (
        ("steps_per_turn", "I", 4, 65536, "quarter steps"),
        ("index_quarters", "B", 1, 4, ""),
        ("rate_max_hz", "I", 1, 2000000, "quarter steps a second"),
        ("b_leads", "B", 0, 1, "1 = B is ahead of A while the code grows"),
    ),
    SINCOS: (
        ("amplitude_permyriad", "H", 1, 5000, "in 1/10000 of the supply"),
        ("offset_sin_permyriad", "H", 0, 10000, ""),
        ("offset_cos_permyriad", "H", 0, 10000, ""),
        ("cos_gain_permyriad", "H", 1, 20000, ""),
        ("phase_mdeg", "i", -45000, 45000, ""),
        ("pwm_hz", "I", 8, 1000000, ""),
    ),
}
_NAME = (("name", "*", 1, 32, "ASCII"),)
SERIAL = ("none", "short", "enhanced")
MESSAGES_MAX = 4


def version(family: int) -> int:
    """Version of a family's record."""
    return VERSION_SENT if family == SENT else VERSION


TRIM_VERSION = 1
TRIM_PAIR_VERSION = 2  # of a trim of two outputs, each by itself
TRIM_SIGNALS = ("sin", "cos")  # in the order of the record
TRIM_POINTS_MIN = 2
TRIM_POINTS_MAX = 33
TRIM_FULL = 65535


TRIM_SUPPLY_MIN_MV = 1000
TRIM_OUTPUT_ROWS = 3 + 2 * TRIM_POINTS_MAX  # of one output: rows and bytes
TRIM_OUTPUT_BYTES = 7 + 4 * TRIM_POINTS_MAX


def _trim_head(version: int) -> "list[tuple[str, str, int, int, str]]":
    return [
        ("version", "B", version, version, "layout of this record"),
        ("profile_crc", "I", 0, 0xFFFFFFFF, "CRC-32 of the sensor profile's record that it was made for"),
    ]


def _trim_output(
    prefix: str, made_min: int, supply_min: int, points_min: int, commanded: str
) -> "list[tuple[str, str, int, int, str]]":
    rows = [
        (prefix + "made_utc_s", "I", made_min, 0xFFFFFFFF, "when it was made, in s since 1970 UTC"),
        (prefix + "supply_mv", "H", supply_min, 5500, "supply that it was made at"),
        (prefix + "points", "B", points_min, TRIM_POINTS_MAX, "points in use; those after them are 0"),
    ]
    for k in range(1, TRIM_POINTS_MAX + 1):
        rows.append((prefix + "command_%d" % k, "H", 0, TRIM_FULL, commanded + " in 1/65535, ascending"))
        rows.append(
            (prefix + "output_%d" % k, "H", 0, TRIM_FULL, "output as part of the supply in 1/65535, never falling")
        )
    return rows


def trim_fields() -> "tuple[tuple[str, str, int, int, str], ...]":
    """Rows of a trim's record."""
    rows = _trim_head(TRIM_VERSION)
    rows += _trim_output("", 1, TRIM_SUPPLY_MIN_MV, TRIM_POINTS_MIN, "commanded part of the range")
    rows.append(("meter", "*", 1, 32, "ASCII: what read it"))
    return tuple(rows)


def trim_output_fields(prefix: str = "") -> "tuple[tuple[str, str, int, int, str], ...]":
    """Rows of one of the two outputs in a trim of both; all of them 0 where it is not trimmed."""
    return tuple(_trim_output(prefix, 0, 0, 0, "commanded part of the supply"))


def trim_pair_fields() -> "tuple[tuple[str, str, int, int, str], ...]":
    """Rows of the record of a trim of two outputs."""
    rows = _trim_head(TRIM_PAIR_VERSION)
    for signal in TRIM_SIGNALS:
        rows += trim_output_fields(signal + "_")
    rows.append(("meters", "*", 1, 65, "ASCII: what read each, a line feed between; empty where it is not trimmed"))
    return tuple(rows)


def common_fields() -> "tuple[tuple[str, str, int, int, str], ...]":
    """Rows that all of these records begin with."""
    return _COMMON + tuple(("error_%d_mdeg" % k, "h", -30000, 30000, "") for k in range(ERRORS))


def own_fields(family: int) -> "tuple[tuple[str, str, int, int, str], ...]":
    """Rows of one family, after the common ones. KeyError for the switch and for what is no family."""
    rows = _OWN[family]
    if family == SENT:
        for k in range(1, MESSAGES_MAX + 1):
            rows += ("id_%d" % k, "B", 0, 255, ""), ("data_%d" % k, "H", 0, 4095, "")
    return rows


def fields(family: int) -> "tuple[tuple[str, str, int, int, str], ...]":
    """All rows of a family's record. KeyError for the switch and for what is no family."""
    return common_fields() + own_fields(family) + _NAME
