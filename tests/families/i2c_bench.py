"""A bench whose sensor is on I2C: what the machine's controller reads, and a bus for drivers that want one."""

from __future__ import annotations

from typing import Any

from family_bench import SUPPLY_V, Seen, Standing
from lidjig.bench.families.base import Reading, Registers
from lidjig.link.twin import TwinLink

BENCH = "healthy-oak-14"
ADDRESS = 0x36  # ams AS5600 datasheet v1-06, p.18
ADDRESS_14 = 0x46

# Registers by the same data sheet, p.18 figure 21, written here anew.
ZMCO, ZPOS, MPOS, MANG, CONF, STATUS, RAW, ANGLE, AGC, MAGNITUDE, BURN = (
    0x00, 0x01, 0x03, 0x05, 0x07, 0x0B, 0x0C, 0x0E, 0x1A, 0x1B, 0xFF,
)  # fmt: skip


def read(bench: Standing, at: int, count: int = 1, address: int = ADDRESS) -> bytes:
    """Registers, by writing the pointer and reading after a repeated start."""
    found = bench.link.transfer(address, bytes([at]), count)
    assert found is not None, f"nobody acknowledges 0x{address:02X}"
    return found


def word(bench: Standing, at: int) -> int:
    return int.from_bytes(read(bench, at, 2), "big")


def write(bench: Standing, at: int, *values: int) -> None:
    assert bench.link.transfer(ADDRESS, bytes([at, *values]), 0) is not None


def write_word(bench: Standing, at: int, value: int) -> None:
    write(bench, at, value >> 8, value & 0xFF)


def readings(bench: Standing, *spans: tuple[int, int], address: int = ADDRESS) -> list[Reading]:
    """What the host's decoder makes of registers; spans: (first, how many)."""
    value: dict[int, int] = {}
    for at, count in spans or ((STATUS, 1), (RAW, 2), (ANGLE, 2)):
        value |= dict(enumerate(read(bench, at, count, address), at))
    return bench.sensor.coded().decode(Seen(SUPPLY_V, registers=(Registers(0.0, value),)))


class Bus:
    """A busio.I2C whose transfers are the machine's. Raises OSError where nobody acknowledges, as that does."""

    def __init__(self, link: TwinLink) -> None:
        self._link = link

    def try_lock(self) -> bool:
        return True

    def unlock(self) -> None:
        pass

    def _transfer(self, address: int, data: bytes, count: int) -> bytes:
        found = self._link.transfer(address, data, count)
        if found is None:
            raise OSError("no acknowledge")
        return found

    def writeto(self, address: int, buffer: Any, *, start: int = 0, end: int | None = None) -> None:
        self._transfer(address, bytes(buffer)[start:end], 0)

    def readfrom_into(self, address: int, buffer: Any, *, start: int = 0, end: int | None = None) -> None:
        stop = len(buffer) if end is None else end
        buffer[start:stop] = self._transfer(address, b"", stop - start)

    def writeto_then_readfrom(
        self, address: int, out: Any, into: Any, *, out_start: int, out_end: int, in_start: int, in_end: int
    ) -> None:
        into[in_start:in_end] = self._transfer(address, bytes(out)[out_start:out_end], in_end - in_start)
