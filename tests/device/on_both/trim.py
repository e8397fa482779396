"""Trim: a record parsed, and the command for a code against linear interpolation of its points; of two outputs, the
counts that go out.
"""

import fake_board
from fake_trim import pair_record

FULL = 65535


def record(points, **changes):
    from shared_proto import blobs, family_blobs

    values = {"version": 1, "profile_crc": 7, "made_utc_s": 1, "supply_mv": 3300, "points": len(points), "meter": b"m"}
    for k in range(1, family_blobs.TRIM_POINTS_MAX + 1):
        values[f"command_{k}"], values[f"output_{k}"] = points[k - 1] if k <= len(points) else (0, 0)
    values.update(changes)
    return blobs.pack(family_blobs.trim_fields(), values)


def parsed(points):
    from firmware import profile

    from shared_proto import names

    values, bad = profile.parse(names.BLOB_TRIM, record(points))
    assert bad == -1
    return values["out"]


def check_what_is_no_trim_of_two_is_refused(_folder):
    from firmware import profile

    from shared_proto import family_blobs, names

    rows = [row[0] for row in family_blobs.trim_pair_fields()]
    line = [(0, 0), (FULL, FULL)]
    for data, field in (
        (pair_record([(0, 10), (0, 20)], []), "sin_command_2"),
        (pair_record(line, [(0, 10), (FULL, 9)]), "cos_output_2"),
        (pair_record(line, [(0, 10), (5, 11), (4, 12)]), "cos_command_3"),
        (pair_record([], [(0, 10), (FULL, 10)]), "cos_output_1"),
        (pair_record(line[:1], line), "sin_points"),
        (pair_record(line, line, cos_made_utc_s=0), "cos_made_utc_s"),
        (pair_record(line, line, sin_supply_mv=0), "sin_supply_mv"),
        (pair_record(line, line)[:283], "meters"),
        (pair_record(line, line) + bytes(64), "meters"),
        (pair_record(line, line)[:160], "cos_command_3"),
        (pair_record(line, line)[:3], "profile_crc"),
    ):
        values, bad = profile.parse(names.BLOB_TRIM, data)
        assert values is None and rows[bad] == field, (field, bad, rows[bad] if bad < len(rows) else None)


def check_one_output_of_two_may_be_missing(_folder):
    from firmware import profile

    from shared_proto import names

    values, bad = profile.parse(names.BLOB_TRIM, pair_record([], [(0, 5), (FULL, 60000)]))
    assert bad == -1 and values["profile_crc"] == 7 and values["sin"] is None
    assert [list(part) for part in values["cos"]] == [[0, FULL], [5, 60000]]


class Board:
    """What a family of two filtered outputs asks of the board."""

    drive_enable = (None, None)
    drive_data = (2, 4)


def counts(sin, cos, code):
    """What goes out at a code of 4096 on a circle of 40 % around the middle, in counts of 5000: sine, cosine."""
    import sys

    class Duty:
        given = {}
        counts = 5000

        def __init__(self, pin, _hz):
            self.pin = pin

        def put(self, count):
            self.given[self.pin] = count
            return 1

    class Fake:
        pass

    before = sys.modules.get("boards.pwm_out")
    sys.modules["boards.pwm_out"] = Fake()
    sys.modules["boards.pwm_out"].Duty = Duty
    sys.modules.pop("firmware.families.sincos", None)
    try:
        from firmware.families.sincos import Output

        values = {"codes": 4096, "amplitude_permyriad": 4000, "cos_gain_permyriad": 10000, "phase_mdeg": 0}
        values.update({"offset_sin_permyriad": 5000, "offset_cos_permyriad": 5000, "pwm_hz": 25000})
        output = Output(Board(), values)
        output.trim(sin, cos)
        output.put(code)
        return Duty.given[2], Duty.given[4]
    finally:
        sys.modules.pop("firmware.families.sincos", None)
        if before is None:
            sys.modules.pop("boards.pwm_out")
        else:
            sys.modules["boards.pwm_out"] = before


def check_each_output_by_its_own_points(_folder):
    """A straight line from 1 % at 0 to 96 % at the whole needs (wanted - 0.01) / 0.95: by hand, no source needed."""
    short = (0, FULL), (655, 62914)
    from math import cos, pi, sin

    for code in (0, 100, 700, 1024, 2000, 3000, 3333, 4095):
        wanted = [0.5 + 0.4 * turned(2 * pi * code / 4096) for turned in (sin, cos)]
        moved = [(share - 0.01) / 0.95 for share in wanted]
        plain = [5000 * share for share in wanted]
        trimmed = [5000 * share for share in moved]
        for points, expected in (
            ((None, None), plain),
            ((short, None), (trimmed[0], plain[1])),
            ((None, short), (plain[0], trimmed[1])),
            ((short, short), trimmed),
        ):
            found = counts(points[0], points[1], code)
            # Half a count by rounding, and a tenth of one each by points in 1/65535 and by the table.
            assert max(abs(found[k] - expected[k]) for k in (0, 1)) <= 0.75, (code, points, found, expected)


def check_what_is_no_trim_is_refused(_folder):
    from firmware import profile

    from shared_proto import family_blobs, names

    rows = [row[0] for row in family_blobs.trim_fields()]
    for points, field in (
        ([(0, 10), (0, 20)], "command_2"),
        ([(0, 10), (FULL, 9)], "output_2"),
        ([(0, 10), (5, 11), (4, 12)], "command_3"),
        ([(0, 10), (FULL, 10)], "output_1"),
    ):
        values, bad = profile.parse(names.BLOB_TRIM, record(points))
        assert values is None and rows[bad] == field, (points, bad)
    good = record([(0, 0), (FULL, FULL)])
    for data in (b"", b"\x01", good[:20], b"\x02" + good[1:]):
        assert profile.parse(names.BLOB_TRIM, data)[0] is None


def check_command_for_a_code(_folder):
    from firmware.trim import Trim

    top = 4095 * 16
    # An output that starts 1 % up, is 3 % short at the end, and bends in the middle.
    points = [(0, 655), (20000, 19000), (40000, 41000), (FULL, 63569)]
    for low, high in ((0, 10000), (1000, 9000)):
        trim = Trim(parsed(points), {"low_permyriad": low, "high_permyriad": high})
        for wanted in range(0, top + 1, 991):
            output = (low + (high - low) * wanted / top) / 10000 * FULL
            k = 1
            while k < 3 and points[k][1] < output:
                k += 1
            (c0, o0), (c1, o1) = points[k - 1], points[k]
            command = c0 + (output - o0) * (c1 - c0) / (o1 - o0)
            command = max(0, min(FULL, command)) / FULL * top
            assert abs(trim.command(wanted, top) - command) <= 3, (wanted, trim.command(wanted, top), command)


def check_beyond_the_ends_it_goes_on(_folder):
    from firmware.trim import Trim

    trim = Trim(parsed([(0, 0), (FULL, FULL)]), {"low_permyriad": 0, "high_permyriad": 10000})
    top = 1000
    assert trim.command(-40, top) == -40 and trim.command(1040, top) == 1040


def check_a_level_stretch_divides_by_nothing(_folder):
    from firmware.trim import Trim

    trim = Trim(parsed([(0, 0), (100, 500), (200, 500), (FULL, FULL)]), {"low_permyriad": 0, "high_permyriad": 10000})
    seen = [trim.command(wanted, 16000) for wanted in range(0, 16001, 100)]
    assert seen == sorted(seen)


fake_board.checks(globals())
