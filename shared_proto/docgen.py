"""Writes the generated parts of PROTOCOL.md: tables, diagrams, worked examples.

`python -m shared_proto.docgen` rewrites the file in place; with `--check` it only says whether it would. Everything
between a line `<!-- begin NAME -->` and `<!-- end NAME -->` comes from here; the rest is written by hand. Runs on the
computer only.
"""

import binascii
import struct
import sys
from pathlib import Path

from shared_proto import blobs, codec, family_blobs, frame, messages, names, session_board, session_host

_SIZES = {"B": "u8", "b": "i8", "H": "u16", "h": "i16", "I": "u32", "i": "i32", "Q": "u64", "*": "bytes"}
_DIRECTIONS = {messages.TO_BOARD: "host to board", messages.TO_HOST: "board to host"}
PROTOCOL = Path(__file__).with_name("PROTOCOL.md")

# A short conversation: the worked examples, also used as test data. Invented values.
EXAMPLES = (
    "> hello seq=1 major=1 minor=1 session=305419896",
    "< hello_result seq=1 major=1 minor=1 session=305419896 fw_major=0 fw_minor=1 fw_patch=0 "
    "board_id=64838510107233071 boot_id=2134573057 reset_cause=0 abilities=31 t_us=1500250 first_event=1 next_event=2",
    "> resend counter=0 boot_id=2134573057",
    "< boot counter=1 t_us=312 cause=0",
    "> ack counter=1 boot_id=2134573057",
    "> move seq=2 angle_mdeg=12000 duration_ms=400 shape=1",
    "< refusal seq=2 request=7 reason=5 detail=0",
    "> beat",
    "< pulse t_us=1750400 boot_id=2134573057 lock=0 route=1 reason=0 angle_mdeg=110000 lines=19 supply_mv=3300 "
    "next_event=2",
    "> blob_write seq=3 kind=1 offset=0 data=01010101e803000060096d0e",
    "> measure seq=4 channel=0 n=64",
    "< measure_result seq=4 t_us=2100000 channel=0 n=64 total=2097152 low=32759 high=32776 total_sq=68719481344",
    "< output counter=2 t_us=9000123 output=0 operated=1 angle_mdeg=18950",
    "< lost counter=3 t_us=9000500 count=36",
    "> sample seq=6 channel=10 period_ms=5",
    "< batch channel=10 number=1 boot_id=2134573057 t_us=9100000 span_us=15000 data=7025702571257025",
    "> rejoin seq=5 session=305419896 boot_id=2134573057",
)

EXAMPLE_BLOB = {
    "version": 1,
    "family": 1,
    "outputs": 1,
    "safe_route": 1,
    "update_us": 1000,
    "supply_min_mv": 2400,
    "supply_max_mv": 3700,
    "angle_min_mdeg": 0,
    "angle_max_mdeg": 180000,
    "start_mdeg": 110000,
    "drive_1": 0,
    "active_high_1": 0,
    "operate_mdeg_1": 19000,
    "release_mdeg_1": 25000,
    "drive_2": 0,
    "active_high_2": 0,
    "operate_mdeg_2": 0,
    "release_mdeg_2": 0,
    "name": b"example",
}


def _table(head: list[str], rows: list[list[str]]) -> list[str]:
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    return lines + ["| " + " | ".join(row) + " |" for row in rows]


def _range(code: str, low: int, high: int) -> str:
    unit = " bytes" if code == "*" else ""
    return str(low) + unit if low == high else str(low) + ".." + str(high) + unit


def _fields(fields: tuple[tuple[str, str, int, int, str], ...]) -> list[str]:
    rows = []
    at = 0
    for name, code, low, high, doc in fields:
        rows.append([str(at), "`" + name + "`", _SIZES[code], _range(code, low, high), doc or "-"])
        at += 0 if code == "*" else struct.calcsize("<" + code)
    return _table(["offset", "field", "type", "accepted", "meaning"], rows)


def overview() -> list[str]:
    """One line per message."""
    rows = [
        ["`0x%02X`" % number, "`" + name + "`", _DIRECTIONS[direction], doc]
        for number, name, direction, doc, _f in messages.MESSAGES
    ]
    return _table(["id", "message", "direction", "meaning"], sorted(rows))


def layouts() -> list[str]:
    """The fields of every message that has any. Offsets count from the end of the header."""
    lines: list[str] = []
    for number, name, _direction, _doc, fields in messages.MESSAGES:
        if fields:
            lines += ["", "**`%s`** (`0x%02X`)" % (name, number), ""] + _fields(fields)
    return lines[1:]


def _numbered(title: str, words: tuple[str, ...], first: int = 0) -> list[str]:
    listed = ", ".join(["%d `%s`" % (k, word) for k, word in enumerate(words) if k >= first])
    return ["- " + title + ": " + listed]


def numbers() -> list[str]:
    """Names of numbers."""
    lines = _numbered("`names.ROUTES`", names.ROUTES)
    lines += _numbered("`names.LOCK_STATES`", names.LOCK_STATES)
    lines += _numbered("`names.REASONS` (why the lock state or the route changed)", names.REASONS)
    lines += _numbered("`names.REFUSALS` (why a request was refused)", names.REFUSALS, 1)
    lines += _numbered("`names.SHAPES`", names.SHAPES)
    lines += _numbered("`names.LINES` (bit of a mask, and number in `edge`)", names.LINES)
    lines += _numbered("`names.TARGETS` (of `load`)", names.TARGETS)
    lines += _numbered("`names.DRIVEN` (state of `drive`)", names.DRIVEN)
    lines += _numbered("`names.LOADS`", names.LOADS)
    lines += _numbered("`names.RESETS`", names.RESETS)
    lines += _numbered("`names.BUS_STATES`", names.BUS_STATES)
    lines += _numbered("`names.METER_STATES`", names.METER_STATES)
    lines += _numbered("`names.SENSOR_ANSWERS` (to `registers`)", names.SENSOR_ANSWERS)
    lines += _numbered("`names.COUNTS` (what `count` does)", names.COUNTS)
    kinds = (names.BLOB_PROFILE, names.BLOB_WIRING, names.BLOB_TRIM)
    lines += ["- `names.BLOB_`: %d profile, %d wiring, %d trim" % kinds]
    lines += [
        "- `names.ABILITY_` bits: %d routes by relay contacts, %d feeds the real sensor itself, %d has two outputs, "
        "%d has a bus for power monitors, %d sends samples, %d reads a real sensor that tells an angle"
        % (
            names.ABILITY_RELAY,
            names.ABILITY_SENSOR_POWER,
            names.ABILITY_OUTPUTS_2,
            names.ABILITY_BUS,
            names.ABILITY_SAMPLING,
            names.ABILITY_READING,
        )
    ]
    lines += _numbered("log codes", names.LOG_CODES, 1)
    return lines


def channels() -> list[str]:
    """Channels with their scales and how fast each can be sampled."""
    rows = []
    for k, name in enumerate(names.CHANNELS):
        if k < len(names.CHANNEL_UNITS):
            scale = "%d %s at raw 65535" % (names.CHANNEL_FULL_SCALE[k], names.CHANNEL_UNITS[k])
        elif k == names.CH_PULSES:
            scale = "rising edges in the last %d ms" % names.PULSE_WINDOW_MS
        elif name.endswith("_v"):
            scale = "1.25 mV a step"
        else:
            scale = "step chosen by the calibration; 0 A at raw %d" % names.METER_ZERO
        rows.append([str(k), "`" + name + "`", scale, str(names.SAMPLE_MIN_MS[k])])
    return _table(["number", "channel", "scale", "shortest period, ms"], rows)


def limits() -> list[str]:
    """Constants that both ends rely on."""
    rows = [
        ["longest body", str(messages.MAX_BODY) + " bytes"],
        ["longest frame, delimiters included", "%d bytes; no receiver need keep more" % frame.MAX_FRAME],
        ["protocol", "%d.%d" % (names.PROTOCOL_MAJOR, names.PROTOCOL_MINOR)],
        ["host repeats an unanswered request after", "%d ms" % (session_host.RETRY_US // 1000)],
        [
            "and calls its fate unknown after",
            "%d tries, %d s" % (session_host.TRIES, session_host.TRIES * session_host.RETRY_US // 1000000),
        ],
        ["host sends `beat` every", "%d ms" % (session_host.BEAT_US // 1000)],
        ["board calls the host silent after", "%d ms without a good frame" % (session_board.SILENT_US // 1000)],
        ["answers kept by the board", str(session_board.ANSWERS_KEPT)],
        ["requests being performed at once", "up to %d, then `busy`" % session_board.PENDING_MAX],
        ["past sessions remembered by the board", str(session_board.PAST_KEPT)],
        ["events sent and not acknowledged", "up to %d" % session_board.WINDOW],
        ["batches that wait behind everything else", "up to %d; more are dropped" % session_board.BATCHES_MAX],
        ["events sent again after", "%d ms without an acknowledgement" % (session_board.RESEND_US // 1000)],
    ]
    return _table(["what", "value"], rows)


def _mermaid(arrows: list[tuple[str, str, str]]) -> list[str]:
    """A state diagram; arrows are (from, label, to)."""
    lines = ["```mermaid", "stateDiagram-v2", "    [*] --> " + arrows[0][0]]
    return lines + ["    " + start + " --> " + end + ": " + label for start, label, end in arrows] + ["```"]


def board_states() -> list[str]:
    """Diagram and table of the board's half."""
    arrows = [
        (state, arrived, after)
        for (state, arrived), (after, what) in session_board.NEXT.items()
        if after != state or what == session_board.BEGIN
    ]
    rows = [[state, arrived, what, after] for (state, arrived), (after, what) in session_board.NEXT.items()]
    return _mermaid(arrows) + [""] + _table(["state", "what arrives", "what the board does", "state then"], rows)


def host_states() -> list[str]:
    """Diagram of the host's half."""
    return _mermaid([(state, happened, after) for (state, happened), after in session_host.NEXT.items()])


def profile_layout() -> list[str]:
    """Sensor profile record."""
    return _fields(blobs.PROFILE_FIELDS)


def angle_layout() -> list[str]:
    """What the records of all angle families begin with."""
    return _fields(family_blobs.common_fields())


def family_layouts() -> list[str]:
    """What each angle family has of its own; offsets from where the common part ends."""
    lines: list[str] = []
    for number in range(family_blobs.ANALOG, family_blobs.SINCOS + 1):
        lines += ["", "**`%s`** (family %d)" % (family_blobs.FAMILIES[number], number), ""]
        lines += _fields(family_blobs.own_fields(number))
    return lines[1:]


def trim_layout() -> list[str]:
    """Trim record; of the points the first and the last."""
    rows = _fields(family_blobs.trim_fields())
    return rows[:9] + ["| .. | | | | |"] + rows[-3:]


def trim_pair_layout() -> list[str]:
    """Record of a trim of two outputs; of the points of each the first and the last."""
    rows = _fields(family_blobs.trim_pair_fields())
    head, more, end = 4, ["| .. | | | | |"], rows[-1:]  # two lines of the table's own, and two fields
    lines, count = rows[:head], family_blobs.TRIM_OUTPUT_ROWS
    for at in (head, head + count):
        lines += rows[at : at + 5] + more + rows[at + count - 2 : at + count]
    return lines + end


def wiring_layout() -> list[str]:
    """Wiring record."""
    return _fields(blobs.WIRING_FIELDS)


def _hex(data: bytes) -> str:
    return " ".join(["%02x" % byte for byte in data])


def _bytes_of(row: codec.Row, message: codec.Message, body: bytes) -> list[list[str]]:
    rows = [["`%02x`" % body[0], "id", row.name], ["`" + _hex(body[1:3]) + "`", "sequence number", str(message.seq)]]
    at = codec.HEADER_BYTES
    for name, code in zip(row.names, row.form[3:], strict=True):
        size = struct.calcsize("<" + code)
        rows.append(["`" + _hex(body[at : at + size]) + "`", name, str(message.fields[name])])
        at += size
    if row.tail is not None:
        rows.append(["`" + _hex(body[at:]) + "`", row.tail[0], str(len(body) - at) + " bytes"])
    return rows


def examples() -> list[str]:
    """Worked examples, byte by byte."""
    lines: list[str] = []
    for number, line in enumerate(EXAMPLES):
        _direction, message = codec.parse_text(line)
        body = codec.encode(message.name, message.seq, **message.fields)
        crc = binascii.crc32(body) & 0xFFFFFFFF
        rows = _bytes_of(codec.BY_NAME[message.name], message, body)
        rows.append(["`" + _hex(crc.to_bytes(4, "little")) + "`", "CRC-32 of the bytes above", "0x%08X" % crc])
        lines += ["", "%d. `%s`" % (number + 1, line), ""]
        lines += _table(["bytes", "what", "value"], rows)
        lines += ["", "   on the wire: `" + _hex(frame.DELIMITER + frame.encode_frame(body)) + "`"]
    return lines[1:]


def blob_example() -> list[str]:
    """One profile record, with its CRC."""
    data = blobs.pack(blobs.PROFILE_FIELDS, EXAMPLE_BLOB)
    rows = [["`" + name + "`", str(EXAMPLE_BLOB[name])] for name, *_rest in blobs.PROFILE_FIELDS]
    crc = binascii.crc32(data) & 0xFFFFFFFF
    return _table(["field", "value"], rows) + [
        "",
        "%d bytes, CRC-32 0x%08X: `%s`" % (len(data), crc, _hex(data)),
    ]


PARTS = {
    "overview": overview,
    "layouts": layouts,
    "numbers": numbers,
    "channels": channels,
    "limits": limits,
    "board-states": board_states,
    "host-states": host_states,
    "profile": profile_layout,
    "angle-profile": angle_layout,
    "families": family_layouts,
    "trim": trim_layout,
    "trim-pair": trim_pair_layout,
    "wiring": wiring_layout,
    "blob-example": blob_example,
    "examples": examples,
}


def render(text: str) -> str:
    """text with every generated part brought up to date. ValueError when a part is missing or not closed."""
    for name, part in PARTS.items():
        begin = "<!-- begin " + name + " -->\n"
        end = "<!-- end " + name + " -->"
        before, found, rest = text.partition(begin)
        _old, closed, after = rest.partition(end)
        if not found or not closed:
            raise ValueError("PROTOCOL.md has no part '" + name + "' between its two marks")
        text = before + begin + "\n".join(part()) + "\n" + end + after
    return text


def main(arguments: list[str]) -> int:
    """0 when PROTOCOL.md is up to date or was rewritten, 1 when --check found it out of date."""
    old = PROTOCOL.read_text(encoding="utf-8")
    new = render(old)
    if old == new:
        return 0
    if "--check" in arguments:
        sys.stderr.write("shared_proto/PROTOCOL.md differs from the tables: run python -m shared_proto.docgen\n")
        return 1
    PROTOCOL.write_text(new, encoding="utf-8", newline="\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
