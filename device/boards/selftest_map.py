# Loop-back map and tolerances for the self-test of the jig alone, with the self-test plug fitted (WIRING.md):
# VM from the jig's 3.3 V through 100 ohm, 10 kohm pull-ups on both machine lines, OBS1 on M1 and OBS2 on M2.
# Read by the host from this file; the numbers belong to the board's parts and so stand beside its pin map.

from shared_proto import names

# (output of `drive`, machine line read back, observer wired to it, analog channel of the line)
LOOP_BACK = (
    (0, names.LINE_M1, names.LINE_OBS1, names.CH_M1),
    (1, names.LINE_M2, names.LINE_OBS2, names.CH_M2),
)

# Limits in mV: (what, channel, state of the line, lowest, highest). supply: 3.3 V +/-3 % through 100 ohm,
# loaded by the buffers, translators and two pull-ups (below 1 mA). low: 10 kohm pull-up against 220 ohm +/-1
# % gives 70 mV; ADC offset of about 30 mV times the divider of 2 on top. pulled: 10 kohm pull-up against the
# 2 Mohm divider loses 0.5 %. test_low: equal 10 kohm to supply and ground, half of VM; 0.1 % against 1 %
# resistors and the ADC's own error.
TOLERANCES_MV = (
    ("jig_3v3", names.CH_JIG, "", 3150, 3450),
    ("supply", names.CH_SUPPLY, "", 3000, 3450),
    ("driven_low", -1, "low", 0, 200),
    ("driven_high", -1, "high", 2950, 3450),
    ("pulled_up", -1, "released", 2900, 3450),
    ("test_low", -1, "test_low", 1400, 1850),
)

# Time in ms between a drive and the reading: the translators need microseconds, a service turn up to 20 ms.
SETTLE_MS = 50
