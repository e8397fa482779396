"""Trim: a record parsed, and the command for a code against linear interpolation of its points."""

import fake_board

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
    return values


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
