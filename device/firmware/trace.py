# Where an exception came from, in two numbers that fit a log entry.
import binascii
import io
import sys


def where(error: Exception) -> tuple:
    # (line number, CRC-32 of the file's name) of the innermost frame, (0, CRC-32 of the type's name) without
    # a trace.
    trace = getattr(error, "__traceback__", None)
    if trace is not None:  # CPython
        while trace.tb_next is not None:
            trace = trace.tb_next
        return trace.tb_lineno, _short_crc(trace.tb_frame.f_code.co_filename)
    text = io.StringIO()
    getattr(sys, "print_exception")(error, text)  # noqa: B009  MicroPython's own
    line = 0
    place = type(error).__name__
    for row in text.getvalue().split("\n"):
        # '  File "firmware/tick.py", line 12, in run'
        parts = row.split('"')
        if len(parts) == 3 and ", line " in parts[2]:
            place = parts[1]
            line = int(parts[2].split(",")[1].split()[1])
    return line, _short_crc(place)


def _short_crc(path: str) -> int:
    name = path.replace("\\", "/").split("/")[-1]
    return binascii.crc32(name.split(".")[0].encode()) & 0xFFFFFFFF
