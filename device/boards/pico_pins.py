# Pin map of pico.py: what WIRING.md's table and the states of the pins after a reset are checked against.
#
# Signal, GPIO number and kind: out, in, adc, drive (may put a voltage on a connector; an input unless armed), or
# bus (open drain: pulled low or let go, never driven high; an input where the wiring record has no bus). The data pin
# of a line feeds its drive buffer and its test buffer alike, of which only one is enabled at a time.
PINS = (
    ("MUX_B", 0, "out"),
    ("MUX_C", 1, "out"),
    ("DRV1_DATA", 2, "drive"),
    ("DRV1_OE", 3, "drive"),
    ("DRV2_DATA", 4, "drive"),
    ("DRV2_OE", 5, "drive"),
    ("BUS_SDA", 6, "bus"),
    ("BUS_SCL", 7, "bus"),
    ("TST1_OE", 8, "drive"),
    ("TST2_OE", 9, "drive"),
    ("SNS_M1", 10, "in"),
    ("SNS_M2", 11, "in"),
    ("SNS_S1", 12, "in"),
    ("SNS_S2", 13, "in"),
    ("SUPPLY_OK", 14, "in"),
    ("MARK", 15, "in"),
    ("RELAY", 16, "out"),
    ("SENSOR_PWR", 17, "drive"),
    ("PULL_S1", 18, "drive"),
    ("PULL_S2", 19, "drive"),
    ("OBS1", 20, "in"),
    ("OBS2", 21, "in"),
    ("MUX_A", 22, "out"),
    ("LED", 25, "out"),
    ("ADC_SUPPLY", 26, "adc"),
    ("ADC_MUX", 27, "adc"),
    ("ADC_LIGHT", 28, "adc"),
)
