"""[encoding] tables of PWM, SENT and SSI sensors: what is refused, with the reason, and what the board is told."""

from __future__ import annotations

from typing import Any

import pytest
from lidjig.bench.families.base import Encoding, Limits
from lidjig.bench.families.pwm import PwmEncoding
from lidjig.bench.families.sent import FORMATS, SentEncoding
from lidjig.bench.families.ssi import SsiEncoding
from lidjig.bench.reader import convert
from lidjig.errors import BadInput

from shared_proto import family_blobs
from tests.bench_profiles.sensor_waves import limits

REFUSED: list[tuple[type[Any], dict[str, Any], Limits, str, str]] = [
    (PwmEncoding, {"frequency_hz": 920.0, "drive": "push-pull"}, limits(supply_max_v=5.0), "encoding.drive",
     "that high"),
    (PwmEncoding, {"frequency_hz": 115.0, "drive": "open-drain"}, limits(update_hz=200.0), "timing.update_hz", "115"),
    (PwmEncoding, {"frequency_hz": 920.0, "drive": "open-drain"}, limits(wrap=True), "transfer.wrap", "two ends"),
    (PwmEncoding, {"frequency_hz": 9000.0, "drive": "open-drain"}, limits(), "encoding.frequency_hz", "cannot time"),
    (PwmEncoding, {"frequency_hz": 8.0, "drive": "open-drain", "codes": 16, "head_clocks": 9, "tail_clocks": 9},
     limits(update_hz=5.0), "encoding.frequency_hz", "cannot time"),
    (PwmEncoding, {"frequency_hz": 115.0, "drive": "open-drain", "codes": 40000}, limits(), "encoding.codes", "fewer"),
    (PwmEncoding, {"frequency_hz": 920.0, "drive": "open-drain", "head_clocks": 100}, limits(), "encoding.tail_clocks",
     "or neither"),
    (PwmEncoding, {"frequency_hz": 920.0, "drive": "open-drain", "head_clocks": 3, "tail_clocks": 8}, limits(),
     "encoding.head_clocks", "at least 5"),
    (PwmEncoding, {"frequency_hz": 920.0, "drive": "open-drain", "duty_high_percent": 90.0}, limits(),
     "encoding.duty_low_percent", "or neither"),
    (PwmEncoding, {"frequency_hz": 200.0, "drive": "open-drain", "duty_low_percent": 90.0, "duty_high_percent": 10.0},
     limits(), "encoding.duty_high_percent", "above encoding.duty_low_percent = 90"),
    (PwmEncoding, {"frequency_hz": 200.0, "drive": "open-drain", "duty_low_percent": 50.0, "duty_high_percent": 50.0},
     limits(), "encoding.duty_high_percent", "above"),
    (PwmEncoding, {"frequency_hz": 200.0, "drive": "open-drain", "duty_low_percent": 0.0, "duty_high_percent": 90.0},
     limits(), "encoding.duty_low_percent", "at least"),
    (PwmEncoding, {"frequency_hz": 200.0, "drive": "open-drain", "duty_low_percent": 10.0, "duty_high_percent": 100.0},
     limits(), "encoding.duty_high_percent", "at most 100 less"),
    (PwmEncoding, {"frequency_hz": 200.0, "drive": "open-drain", "duty_low_percent": 10.0, "duty_high_percent": 90.0,
                   "head_clocks": 128, "tail_clocks": 128}, limits(), "encoding.head_clocks", "either a frame"),
    (SentEncoding, {"tick_us": 2.0, "format": "H.2"}, limits(), "encoding.tick_us", "3..90 us"),
    (SentEncoding, {"tick_us": 3.0, "format": "H.4"}, limits(supply_max_v=5.0), "supply.max_v", "push-pull"),
    (SentEncoding, {"tick_us": 3.0, "format": "H.4"}, limits(wrap=True), "transfer.wrap", "ends of the span"),
    (SentEncoding, {"tick_us": 3.0, "format": "H.4", "frame_ticks": 272}, limits(), "encoding.frame_ticks", "284..920"),
    (SentEncoding, {"tick_us": 3.0, "format": "H.4", "low_ticks": 3}, limits(), "encoding.low_ticks", "4..10"),
    (SentEncoding, {"tick_us": 3.0, "format": "H.4", "low_ticks": 12}, limits(), "encoding.low_ticks", "4..10"),
    # 272 ticks of 90 us: 40.8 frames a second.
    (SentEncoding, {"tick_us": 90.0, "format": "H.4"}, limits(update_hz=50.0), "timing.update_hz", "40.8"),
    (SsiEncoding, {}, limits(), "encoding.wrap", "transfer.wrap, which is false"),
    (SsiEncoding, {"wrap": False}, limits(supply_max_v=5.0), "supply.max_v", "push-pull"),
    (SsiEncoding, {"wrap": False, "clock_max_hz": 10_000}, limits(), "encoding.pause_us", "at least 200"),
    (SsiEncoding, {"wrap": False, "clock_max_hz": 10_000, "pause_us": 500.0}, limits(update_hz=500.0),
     "timing.update_hz", "a word of 24 bits"),
    (SsiEncoding, {"wrap": False, "clock_max_hz": 5_000_000}, limits(), "encoding.clock_max_hz", "at most 4000000"),
]  # fmt: skip


@pytest.mark.parametrize(("struct", "table", "of", "key", "why"), REFUSED)
def test_tables_that_are_refused(struct: type[Any], table: dict[str, Any], of: Limits, key: str, why: str) -> None:
    encoding = convert(table, struct, "mine.toml")
    with pytest.raises(BadInput) as caught:
        encoding.check(of)
    assert (caught.value.file, caught.value.key) == ("mine.toml", key)
    assert why in caught.value.accepted, caught.value.accepted


@pytest.mark.parametrize(
    ("struct", "table", "key"),
    [
        (PwmEncoding, {"frequency_hz": 920.0}, "drive"),
        (PwmEncoding, {"frequency_hz": 920.0, "drive": "both"}, "drive"),
        (SentEncoding, {"tick_us": 3.0, "format": "H.8"}, "format"),
        (SentEncoding, {"tick_us": 3.0, "format": "H.1", "status": 16}, "status"),
        (SentEncoding, {"tick_us": 3.0, "format": "H.1", "tack": 1}, "tack"),
        (SsiEncoding, {"clock_max_hz": 20_000_000}, "clock_max_hz"),
        (SsiEncoding, {"sample_edge": "both"}, "sample_edge"),
    ],
)
def test_tables_that_are_of_no_such_type(struct: type[Any], table: dict[str, Any], key: str) -> None:
    with pytest.raises(BadInput) as caught:
        convert(table, struct, "mine.toml")
    assert caught.value.key == key


@pytest.mark.parametrize(
    ("encoding", "family"),
    [
        *((PwmEncoding(frequency_hz=hz, drive="open-drain"), family_blobs.PWM) for hz in (115.0, 230.0, 460.0, 920.0)),
        (
            PwmEncoding(
                frequency_hz=200.0,
                drive="push-pull",
                codes=1001,
                duty_low_percent=10.0,
                duty_high_percent=90.0,
            ),
            family_blobs.PWM,
        ),
        *((SentEncoding(tick_us=90.0, format=form), family_blobs.SENT) for form in FORMATS),
        (SentEncoding(tick_us=3.0, format="H.1", frame_ticks=920, low_ticks=10, status=15), family_blobs.SENT),
        (SsiEncoding(wrap=False, clock_max_hz=4_000_000, status=15), family_blobs.SSI),
        (SsiEncoding(wrap=False, sample_edge="rising"), family_blobs.SSI),
    ],
)
def test_fields_are_those_of_the_boards_record(encoding: Encoding, family: int) -> None:
    encoding.check(limits(update_hz=20.0))
    values = encoding.board_fields()
    rows = {name: (low, high) for name, _, low, high, _ in family_blobs.own_fields(family)}
    assert list(values) == list(rows)
    for name, (low, high) in rows.items():
        assert low <= values[name] <= high, name
    assert all(what and value for what, value in encoding.describe())
