"""Sentences on what a sensor's output does on an internal error, for the test of the report's words."""

from __future__ import annotations

import msgspec
from lidjig.bench import load_sensor, shipped
from lidjig.bench.families.analog import AnalogEncoding
from lidjig.bench.families.i2c import I2cEncoding
from lidjig.bench.families.sent import SentEncoding
from lidjig.bench.sensor_words import internal_told
from lidjig.bench.transfer import Transfer


def errors_said() -> list[str]:
    """What an output does on an internal error: of each shipped sensor, of kinds that none has, by words, and as it was
    said before it was said by format.
    """
    angles = [sensor for sensor in (load_sensor(name)[0] for name in shipped("sensors")) if not sensor.is_switch]
    coded = [sensor.coded() for sensor in angles]
    coded += [AnalogEncoding(), AnalogEncoding(fault_high_percent=95.5), I2cEncoding(layout="14-bit")]
    coded.append(SentEncoding(tick_us=3.0, format="H.6"))
    by_word = [
        internal_told(msgspec.structs.replace(angles[0], transfer=Transfer(internal_error=word)))
        for word in ("hold", "low", "high")
    ]
    before = "sends the format's error, or rests low where it has none"
    return [*(encoding.error_told() for encoding in coded), *by_word, before]
