"""The invented readings of bench_chain.py --fed, for the board that gives them and the host that looks for them."""

# Channels by number: machine_2, sensor_supply, sensor_1, sensor_2, charger_v. All sit behind the analog switch.
FED = (2, 3, 4, 5, 6)


def reading(channel, at_ms):
    """u16 of a channel in a millisecond of board time (an integer, or an array of them): a slow rise and 6 bits of
    noise, so that it packs no better than a real one.
    """
    noise = ((at_ms * at_ms >> 4) + (at_ms * 40503 ^ channel * 9973)) >> 5 & 0x3F
    return 1000 * channel + (at_ms >> 8 & 0xFFF) + noise
