"""Which serial ports there are, and which of them a jig may be on."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from serial.tools import list_ports  # type: ignore[import-untyped]

# USB vendor number of the rp2 boards' own USB (MicroPython's CDC port there is 2e8a:0005).
# raspberrypi/usb-pid, README
RP2_VENDOR = 0x2E8A


@dataclass(frozen=True)
class PortInfo:
    """One serial port as the operating system lists it; empty text where it says nothing."""

    device: str
    serial_number: str = ""
    description: str = ""
    vendor: int | None = None
    product: int | None = None

    @property
    def is_candidate(self) -> bool:
        """Whether a jig may be on it: the USB vendor is that of the boards we know."""
        return self.vendor == RP2_VENDOR

    @property
    def short_name(self) -> str:
        return self.device.rsplit("/", 1)[-1]


def serial_ports() -> list[PortInfo]:
    """All serial ports of this computer, by name."""
    return sorted((_info(port) for port in list_ports.comports()), key=lambda p: p.device)


def port_of_serial_number(ports: Iterable[PortInfo], serial_number: str) -> PortInfo | None:
    """The port whose USB serial number this is, letter case apart."""
    wanted = serial_number.lower()
    return next((p for p in ports if p.serial_number.lower() == wanted), None)


def _info(port: object) -> PortInfo:
    def text(name: str) -> str:
        value = getattr(port, name, None)
        return "" if value in (None, "n/a") else str(value)

    return PortInfo(
        device=text("device"),
        serial_number=text("serial_number"),
        description=text("description"),
        vendor=getattr(port, "vid", None),
        product=getattr(port, "pid", None),
    )
