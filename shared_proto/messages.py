"""The message table: every message once, in one place.

A row is (id, name, direction, doc, fields); a field is (name, code, lowest, highest, doc). Codes are struct
codes for little-endian integers (B H I Q b h i) or "*" for a tail of bytes, last only, whose lowest and
highest are lengths. Encoder, decoder, the text form in logs, PROTOCOL.md and the test strategies all come
from this table.
"""

TO_BOARD = ">"
TO_HOST = "<"

MAX_BODY = 180  # bytes before COBS and CRC; frames stay under 200 bytes

_U8 = 0xFF
_U16 = 0xFFFF
_U32 = 0xFFFFFFFF
_U64 = 0xFFFFFFFFFFFFFFFF
ANGLE_MAX_MDEG = 360000


def _angle(name: str, doc: str) -> tuple[str, str, int, int, str]:
    return (name, "i", 0, ANGLE_MAX_MDEG, doc)


_COUNTER = ("counter", "I", 0, _U32, "event counter, from 1 at boot, without gaps")
_T_US = ("t_us", "Q", 0, _U64, "board time in us since boot")

# Requests are 0x01..0x3F; the result of request r is r + 0x40; 0x7F refuses; events are 0x80..0xBF;
# what has no sequence number is 0xC0 and up.
RESULT_OFFSET = 0x40

MESSAGES = (
    (0x01, "hello", TO_BOARD, "opens a session; forgets the answers kept for the session before", (
        ("major", "B", 0, _U8, "protocol major the host speaks"),
        ("minor", "B", 0, _U8, "protocol minor the host speaks"),
        ("session", "I", 1, _U32, "number chosen by the host, new for every session"),
    )),
    (0x41, "hello_result", TO_HOST, "who the board is", (
        ("major", "B", 0, _U8, "protocol major of the board"),
        ("minor", "B", 0, _U8, "protocol minor of the board"),
        ("session", "I", 1, _U32, "the session that is open now, as the host numbered it"),
        ("fw_major", "B", 0, _U8, "firmware version"),
        ("fw_minor", "B", 0, _U8, "firmware version"),
        ("fw_patch", "B", 0, _U8, "firmware version"),
        ("board_id", "Q", 0, _U64, "unique id of the board's flash or chip"),
        ("boot_id", "I", 0, _U32, "differs after every reset"),
        ("reset_cause", "B", 0, _U8, "names.RESETS"),
        ("abilities", "H", 0, _U16, "names.ABILITY_ bits"),
        _T_US,
        ("first_event", "I", 1, _U32, "counter of the oldest event kept, or of the next one to come"),
        ("next_event", "I", 1, _U32, "counter of the next event to come"),
    )),
    (0x02, "status", TO_BOARD, "asks for the whole state", ()),
    (0x42, "status_result", TO_HOST, "the whole state", (
        _T_US,
        ("lock", "B", 0, _U8, "names.LOCK_STATES"),
        ("route", "B", 0, _U8, "names.ROUTES"),
        ("reason", "B", 0, _U8, "first reason of the trip, names.REASONS"),
        ("trip_t_us", "Q", 0, _U64, "board time of the trip; 0 when not tripped"),
        ("trip_detail", "i", -0x80000000, 0x7FFFFFFF, "mV for supply, output for contention, log entry else"),
        _angle("angle_mdeg", "commanded angle now"),
        ("moving", "B", 0, 1, "1 while a segment runs"),
        ("queued", "B", 0, _U8, "segments waiting"),
        ("outputs", "B", 0, _U8, "bit k: output k+1 is operated"),
        ("lines", "H", 0, _U16, "bit per names.LINES"),
        ("supply_mv", "H", 0, _U16, "sensor supply from the machine, last reading"),
        ("heap_free", "I", 0, _U32, "bytes free on the board's heap"),
        ("events_kept", "H", 0, _U16, "events not yet acknowledged"),
        ("events_lost", "I", 0, _U32, "events lost since boot, counted as `lost` does"),
        ("rejects", "I", 0, _U32, "frames rejected since boot"),
        ("tx_dropped", "I", 0, _U32, "frames the board could not send since boot"),
        ("tick_us_max", "I", 0, _U32, "longest tick since boot"),
        ("profile_crc", "I", 0, _U32, "CRC-32 of the sensor profile in force; 0 when none"),
        ("wiring_crc", "I", 0, _U32, "CRC-32 of the wiring in force; 0 when none"),
    )),
    (0x03, "arm", TO_BOARD, "lets the jig drive; refused while tripped", ()),
    (0x43, "arm_result", TO_HOST, "armed", (_T_US,)),
    (0x04, "disarm", TO_BOARD, "every drive pin to high impedance, route to the safe one", ()),
    (0x44, "disarm_result", TO_HOST, "disarmed", (_T_US,)),
    (0x05, "clear", TO_BOARD, "clears a trip; the jig is then disarmed", ()),
    (0x45, "clear_result", TO_HOST, "the trip that was cleared", (
        _T_US,
        ("reason", "B", 0, _U8, "names.REASONS"),
    )),
    (0x06, "set_route", TO_BOARD, "connects the machine's lines; only the safe route while disarmed", (
        ("route", "B", 0, _U8, "names.ROUTES"),
    )),
    (0x46, "set_route_result", TO_HOST, "route in force", (_T_US, ("route", "B", 0, _U8, "names.ROUTES"))),
    (0x07, "move", TO_BOARD, "queues a motion segment from wherever the angle will then be", (
        _angle("angle_mdeg", "angle at the end"),
        ("duration_ms", "I", 0, 250000, "0 = jump at the next tick"),
        ("shape", "B", 0, _U8, "names.SHAPES"),
    )),
    (0x47, "move_result", TO_HOST, "taken", (
        _T_US,
        ("segment", "H", 0, _U16, "number of the segment, returned in the arrived event"),
        ("queued", "B", 0, _U8, "segments waiting, this one included"),
    )),
    (0x08, "stop", TO_BOARD, "ends motion where it is and empties the queue", ()),
    (0x48, "stop_result", TO_HOST, "stopped", (_T_US, _angle("angle_mdeg", "where it stopped"))),
    (0x09, "load", TO_BOARD, "switches a 10 kohm test load; armed only", (
        ("target", "B", 0, _U8, "names.TARGETS"),
        ("state", "B", 0, _U8, "names.LOADS"),
    )),
    (0x49, "load_result", TO_HOST, "switched", (_T_US,)),
    (0x0A, "sensor_power", TO_BOARD, "feeds the real sensor from the jig; armed, route other than through", (
        ("on", "B", 0, 1, ""),
    )),
    (0x4A, "sensor_power_result", TO_HOST, "switched", (_T_US,)),
    (0x0B, "measure", TO_BOARD, "reads a channel n times, one reading a millisecond; answered when done", (
        ("channel", "B", 0, _U8, "names.CHANNELS"),
        ("n", "H", 1, 256, "readings"),
    )),
    (0x4B, "measure_result", TO_HOST, "sums over the readings, raw 16-bit", (
        _T_US,
        ("channel", "B", 0, _U8, "names.CHANNELS"),
        ("n", "H", 1, 256, "readings taken"),
        ("total", "I", 0, _U32, "sum of the readings"),
        ("low", "H", 0, _U16, "smallest"),
        ("high", "H", 0, _U16, "largest"),
        ("total_sq", "Q", 0, _U64, "sum of squares"),
    )),
    (0x0C, "watch", TO_BOARD, "sets the comparator of an analog channel: its bands become events", (
        ("channel", "B", 0, _U8, "names.CHANNELS"),
        ("count", "B", 0, 3, "thresholds used, ascending; 0 = stop watching"),
        ("t1", "H", 0, _U16, "raw"),
        ("t2", "H", 0, _U16, "raw"),
        ("t3", "H", 0, _U16, "raw"),
        ("hysteresis", "H", 0, _U16, "raw, whole width, centred on each threshold"),
        ("dwell_ms", "H", 0, 10000, "a new band must last this long; the event carries the time it began"),
    )),
    (0x4C, "watch_result", TO_HOST, "set", (_T_US,)),
    (0x0D, "watch_lines", TO_BOARD, "which digital lines give edge events", (
        ("mask", "H", 0, _U16, "bit per names.LINES; the mark switch always does"),
    )),
    (0x4D, "watch_lines_result", TO_HOST, "set", (_T_US, ("lines", "H", 0, _U16, "levels now"))),
    (0x0E, "blob_write", TO_BOARD, "part of a profile or wiring, into a buffer; only while disarmed", (
        ("kind", "B", 0, _U8, "names.BLOB_"),
        ("offset", "H", 0, 1023, "first byte of this part"),
        ("data", "*", 1, 128, "bytes"),
    )),
    (0x4E, "blob_write_result", TO_HOST, "buffered", (
        _T_US,
        ("length", "H", 0, 1024, "bytes buffered so far"),
    )),
    (0x0F, "blob_commit", TO_BOARD, "checks, stores and applies the buffer; the old one stays when refused", (
        ("kind", "B", 0, _U8, "names.BLOB_"),
        ("length", "H", 1, 1024, "whole length"),
        ("crc", "I", 0, _U32, "CRC-32 of the whole"),
    )),
    (0x4F, "blob_commit_result", TO_HOST, "in force and on flash", (_T_US, ("crc", "I", 0, _U32, "CRC-32"))),
    (0x10, "blob_read", TO_BOARD, "reads back what is in force", (
        ("kind", "B", 0, _U8, "names.BLOB_"),
        ("offset", "H", 0, 1023, "first byte wanted"),
    )),
    (0x50, "blob_read_result", TO_HOST, "part of it; empty at the end", (
        ("length", "H", 0, 1024, "whole length; 0 when there is none"),
        ("crc", "I", 0, _U32, "CRC-32 of the whole"),
        ("data", "*", 0, 128, "bytes"),
    )),
    (0x11, "log_read", TO_BOARD, "reads the firmware log", (
        ("start", "I", 0, _U32, "number of the first entry wanted"),
    )),
    (0x51, "log_read_result", TO_HOST, "up to eight entries", (
        ("first", "I", 0, _U32, "number of the first entry given"),
        ("total", "I", 0, _U32, "entries written since boot"),
        ("entries", "*", 0, 128, "each 16 bytes: t_us u64, code u16, arg16 u16, arg32 i32"),
    )),
    (0x12, "leave", TO_BOARD, "disarms, answers, and gives the prompt back", ()),
    (0x52, "leave_result", TO_HOST, "about to leave", (_T_US,)),
    (0x13, "reset", TO_BOARD, "disarms, answers, and resets the board", ()),
    (0x53, "reset_result", TO_HOST, "about to reset", (_T_US,)),
    (0x14, "drive", TO_BOARD, "overrides an output; armed and in route standin only", (
        ("output", "B", 0, 1, "0 = output 1"),
        ("state", "B", 0, 4, "names.DRIVEN; `error` only of a sensor that tells an angle, on output 1"),
    )),
    (0x54, "drive_result", TO_HOST, "driven", (_T_US,)),
    (0x15, "rejoin", TO_BOARD, "goes on with a session after the link was lost; never opens one", (
        ("session", "I", 1, _U32, "as in hello"),
        ("boot_id", "I", 0, _U32, "the boot that hello_result named"),
    )),
    (0x55, "rejoin_result", TO_HOST, "the session goes on", (
        _T_US,
        ("first_event", "I", 1, _U32, "counter of the oldest event kept, or of the next one to come"),
        ("next_event", "I", 1, _U32, "counter of the next event to come"),
    )),
    (0x16, "sample", TO_BOARD, "sends the readings of a channel in batches; a restart of the board ends it", (
        ("channel", "B", 0, _U8, "names.CHANNELS"),
        ("period_ms", "H", 0, 10000, "one reading every so many ms; 0 = stop"),
    )),
    (0x56, "sample_result", TO_HOST, "set; the batches that follow count from 1", (
        _T_US,
        ("period_ms", "H", 0, 10000, "as granted, never shorter than asked for; 0 = stopped"),
    )),
    (0x17, "meters", TO_BOARD, "asks for the state of the power monitors and their bus", ()),
    (0x57, "meters_result", TO_HOST, "how monitors and bus are", (
        _T_US,
        ("bus", "B", 0, _U8, "names.BUS_STATES"),
        ("meter_1", "B", 0, _U8, "names.METER_STATES"),
        ("meter_2", "B", 0, _U8, "names.METER_STATES"),
        ("errors", "I", 0, _U32, "transfers that failed since boot"),
        ("recoveries", "I", 0, _U32, "times the bus was freed by clocks since boot"),
    )),
    (0x18, "capture", TO_BOARD, "takes samples of a line on the sensor's side; answered when done", (
        ("line", "B", 0, 1, "0 = sensor 1"),
        ("step_ns", "I", 16, 500000, "longest time between two samples"),
        ("samples", "I", 32, 65536, "how many; a multiple of 32, and 2 s of them at most"),
    )),
    (0x58, "capture_result", TO_HOST, "samples are there to be read, until the next capture, a disarm or a trip", (
        ("t_us", "Q", 0, _U64, "board time of the first sample"),
        ("step_ps", "I", 1, _U32, "time between two samples as granted, never longer than asked for"),
        ("samples", "I", 32, 65536, "how many"),
    )),
    (0x19, "capture_read", TO_BOARD, "reads samples that were captured", (
        ("offset", "H", 0, 8191, "first byte wanted"),
    )),
    (0x59, "capture_read_result", TO_HOST, "part of them; empty at the end", (
        ("length", "H", 0, 8192, "whole length; 0 when there are none"),
        ("data", "*", 0, 128, "a bit a sample, the earliest in bit 0 of the first byte"),
    )),
    (0x1A, "registers", TO_BOARD, "reads registers of a real sensor on I2C; armed, route other than through", (
        ("address", "B", 8, 0x77, "7-bit address"),
        ("first", "B", 0, _U8, "register"),
        ("count", "B", 1, 32, "how many bytes from there on"),
    )),
    (0x5A, "registers_result", TO_HOST, "what it answered", (
        _T_US,
        ("state", "B", 0, _U8, "names.SENSOR_ANSWERS"),
        ("data", "*", 0, 32, "bytes; none unless it answered"),
    )),
    (0x1B, "word", TO_BOARD, "clocks a word out of a real sensor (SSI); armed, route other than through", (
        ("bits", "B", 1, 32, "clocks that carry a bit"),
        ("half_us", "H", 2, 1000, "shortest half period of the clock"),
        ("out_falling", "B", 0, 1, "1: the sensor puts a bit out at a falling edge, 0: at a rising one"),
    )),
    (0x5B, "word_result", TO_HOST, "its bits, the first one highest", (_T_US, ("word", "I", 0, _U32, ""))),
    (0x1C, "count", TO_BOARD, "counts the steps of a real quadrature sensor, sensor 1 ahead of sensor 2 = up", (
        ("run", "B", 0, 2, "names.COUNTS"),
    )),
    (0x5C, "count_result", TO_HOST, "steps since the count began", (
        _T_US,
        ("steps", "i", -0x40000000, 0x3FFFFFFF, "up minus down; a step is one edge of either line"),
        ("skipped", "I", 0, _U32, "times that both lines had changed: at least two steps, direction unknown"),
        ("levels", "B", 0, 3, "bit 0: sensor 1, bit 1: sensor 2"),
    )),
    (0x7F, "refusal", TO_HOST, "the request with this sequence number was not carried out", (
        ("request", "B", 0, _U8, "id of the request"),
        ("reason", "B", 0, _U8, "names.REFUSALS"),
        ("detail", "i", -0x80000000, 0x7FFFFFFF, "see the reason"),
    )),
    (0x80, "boot", TO_HOST, "the board started", (_COUNTER, _T_US, ("cause", "B", 0, _U8, "names.RESETS"))),
    (0x81, "lost", TO_HOST, "events were lost here: a buffer was full, or a line that changed too often was rested", (
        _COUNTER, _T_US, ("count", "I", 1, _U32, "how many at least: a line's rest counts as one"),
    )),
    (0x82, "lock", TO_HOST, "the interlock changed state", (
        _COUNTER, _T_US,
        ("state", "B", 0, _U8, "names.LOCK_STATES"),
        ("reason", "B", 0, _U8, "names.REASONS"),
        ("detail", "i", -0x80000000, 0x7FFFFFFF, "as trip_detail"),
    )),
    (0x83, "routed", TO_HOST, "the route changed", (
        _COUNTER, _T_US, ("route", "B", 0, _U8, "names.ROUTES"), ("reason", "B", 0, _U8, "names.REASONS"),
    )),
    (0x84, "departed", TO_HOST, "a motion segment began", (
        _COUNTER, _T_US, ("segment", "H", 0, _U16, ""), _angle("angle_mdeg", "angle at its start"),
    )),
    (0x85, "arrived", TO_HOST, "a motion segment ended", (
        _COUNTER, _T_US, ("segment", "H", 0, _U16, ""), _angle("angle_mdeg", "angle at its end"),
    )),
    (0x86, "output", TO_HOST, "an emulated output changed: the stimulus", (
        _COUNTER, _T_US,
        ("output", "B", 0, 1, "0 = output 1"),
        ("operated", "B", 0, 1, ""),
        _angle("angle_mdeg", "commanded angle then"),
    )),
    (0x87, "edge", TO_HOST, "a digital line changed", (
        _COUNTER, _T_US, ("line", "B", 0, _U8, "names.LINES"), ("level", "B", 0, 1, ""),
    )),
    (0x88, "band", TO_HOST, "an analog channel entered another band", (
        _COUNTER, _T_US,
        ("channel", "B", 0, _U8, "names.CHANNELS"),
        ("band", "B", 0, 3, "thresholds below the reading"),
        ("raw", "H", 0, _U16, "reading at that time"),
    )),
    (0x89, "mark", TO_HOST, "the operator's mark switch", (_COUNTER, _T_US, ("pressed", "B", 0, 1, ""))),
    (0x8A, "supply", TO_HOST, "sensor supply from the machine came or went", (
        _COUNTER, _T_US, ("present", "B", 0, 1, ""), ("supply_mv", "H", 0, _U16, "reading near that time"),
    )),
    (0x8B, "meter", TO_HOST, "a power monitor came, went or failed", (
        _COUNTER, _T_US,
        ("meter", "B", 0, 1, "0 = meter 1"),
        ("state", "B", 0, _U8, "names.METER_STATES"),
    )),
    (0xC0, "beat", TO_BOARD, "heartbeat; no sequence number", ()),
    (0xC1, "ack", TO_BOARD, "every event up to this counter is on disk; no sequence number", (
        ("counter", "I", 0, _U32, ""),
        ("boot_id", "I", 0, _U32, "the boot that counted them; another one is ignored"),
    )),
    (0xC2, "resend", TO_BOARD, "send every event after this counter; no sequence number", (
        ("counter", "I", 0, _U32, ""),
        ("boot_id", "I", 0, _U32, "the boot that counted them; another one is ignored"),
    )),
    (0xC3, "pulse", TO_HOST, "answer to a heartbeat; no sequence number", (
        _T_US,
        ("boot_id", "I", 0, _U32, ""),
        ("lock", "B", 0, _U8, "names.LOCK_STATES"),
        ("route", "B", 0, _U8, "names.ROUTES"),
        ("reason", "B", 0, _U8, "names.REASONS"),
        _angle("angle_mdeg", "commanded angle now"),
        ("lines", "H", 0, _U16, "bit per names.LINES"),
        ("supply_mv", "H", 0, _U16, ""),
        ("next_event", "I", 1, _U32, "counter of the next event to come"),
    )),
    (0xC4, "batch", TO_HOST, "readings of a sampled channel, evenly spaced; no sequence number, never sent again", (
        ("channel", "B", 0, _U8, "names.CHANNELS"),
        ("number", "I", 1, _U32, "from 1 since `sample`; a hole is a lost batch"),
        ("boot_id", "I", 0, _U32, "the boot that took them"),
        ("t_us", "Q", 0, _U64, "board time of the first reading"),
        ("span_us", "I", 0, _U32, "from the first to the last reading"),
        ("data", "*", 2, 128, "raw readings, each u16"),
    )),
)
