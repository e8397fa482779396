"""Records of trims of two outputs."""


def pair_record(sin, cos, **changes):
    """Points of each; none where it is not trimmed."""
    from shared_proto import blobs, family_blobs

    values = {"version": 2, "profile_crc": 7, "meters": b"m\nn"}
    for signal, points in (("sin", sin), ("cos", cos)):
        values[signal + "_made_utc_s"] = 1 if points else 0
        values[signal + "_supply_mv"] = 3300 if points else 0
        values[signal + "_points"] = len(points)
        for k in range(1, family_blobs.TRIM_POINTS_MAX + 1):
            pair = points[k - 1] if k <= len(points) else (0, 0)
            values[signal + f"_command_{k}"], values[signal + f"_output_{k}"] = pair
    values.update(changes)
    return blobs.pack(family_blobs.trim_pair_fields(), values)
