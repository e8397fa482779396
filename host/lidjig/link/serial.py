"""A jig on a serial port (USB CDC), through pyserial.

Only bytes: no reset by control lines, which rp2 boards lack.
"""

from __future__ import annotations

import errno
import os
import time

import serial  # type: ignore[import-untyped]

from lidjig.errors import LinkLost, LossReason, NoJig
from lidjig.link.base import BenchMeter, Clock, Deadline, Traits
from lidjig.link.lock import BoardLock
from lidjig.link.ports import PortInfo, port_of_serial_number, serial_ports

_BAUD = (
    115200  # without meaning on USB CDC; anything but 1200, which some boards take as "go to the boot loader"
)
_WRITE_TIMEOUT_S = 2.0  # a board that takes nothing for so long is gone
_RETRY_PAUSE_S = 0.1
_READ_MAX = 4096

# pyserial lets termios.error through, which is no OSError, when a port vanishes while it is being set up.
PORT_ERRORS: tuple[type[Exception], ...] = (OSError,)
if os.name == "posix":
    import termios

    PORT_ERRORS = (OSError, termios.error)


class WallClock:
    """Time of this computer, monotonic."""

    def now_s(self) -> float:
        return time.monotonic()


class SerialLink:
    """Bytes over one serial port; see link.base.Link for the contract.

    port: what to open, by name or pyserial URL; its USB serial number, where it has one, is how the same
    jig is found again after a lost link, whatever the port is then called. The board is locked for this
    process until close(). Raises NoJig when the port cannot be opened or the board is in use.
    """

    def __init__(self, port: PortInfo, *, lock: BoardLock | None = None) -> None:
        self.clock: Clock = WallClock()
        self.name = port.device
        self.details: dict[str, str] = {"kind": "serial", "port": port.device}
        self.traits = Traits()
        if port.serial_number:
            self.details["usb_serial"] = port.serial_number
        if port.description:
            self.details["port_description"] = port.description
        self._wanted = port
        self._port: serial.SerialBase | None = None
        self._last_byte_s = self.clock.now_s()
        self._lock = lock or BoardLock(port.serial_number or port.device)
        self._lock_is_ours = not self._lock.held  # a lock that the caller holds stays with the caller
        self._lock.take()
        try:
            self._port = _open(port.device)
        except PORT_ERRORS as error:
            self._release_lock()
            raise NoJig(port.device, _why(error), tuple(p.device for p in serial_ports())) from error

    def write(self, data: bytes) -> None:
        port = self._open_port()
        try:
            port.write(data)
        except PORT_ERRORS as error:
            raise self._lost(error) from error

    def read(self, timeout_s: float) -> bytes:
        port = self._open_port()
        try:
            if port.timeout != timeout_s:  # setting it costs system calls
                port.timeout = timeout_s
            data = bytes(port.read(1))
            if data:
                data += bytes(port.read(min(port.in_waiting, _READ_MAX)))
        except PORT_ERRORS as error:
            raise self._lost(error) from error
        if data:
            self._last_byte_s = self.clock.now_s()
        return data

    def reopen(self, deadline: Deadline) -> None:
        self._drop_port()
        why = "it has not come back"
        while True:
            device = self._where_now()
            if device is not None:
                try:
                    self._port = _open(device)
                except PORT_ERRORS as error:
                    why = _why(error)
                else:
                    self.name = device
                    self.details["port"] = device
                    return
            if deadline.passed:
                wanted = self._wanted.serial_number or self._wanted.device
                raise NoJig(wanted, why, tuple(p.device for p in serial_ports()))
            time.sleep(min(_RETRY_PAUSE_S, deadline.left_s()))

    def tell_operator(self, action: str) -> None:
        """Nothing to do: the person at the bench reads the terminal."""

    def bench_meter(self) -> BenchMeter | None:
        """None: the person reads it."""
        return None

    def close(self) -> None:
        self._drop_port()
        self._release_lock()

    def _release_lock(self) -> None:
        if self._lock_is_ours:
            self._lock.release()

    def _where_now(self) -> str | None:
        """Name of the port that our jig is on now, None while it is away."""
        wanted = self._wanted
        if not wanted.serial_number:
            return wanted.device
        ports = serial_ports()
        found = port_of_serial_number(ports, wanted.serial_number)
        if found is not None:
            return found.device
        # Some drivers list no serial numbers for a while. The old name will do, unless another board now
        # has it.
        taken = any(p.device == self.name and p.serial_number for p in ports)
        return None if taken else self.name

    def _open_port(self) -> serial.SerialBase:
        if self._port is None:
            raise LinkLost("", self.name, self._silent_s(), LossReason.CLOSED)
        return self._port

    def _lost(self, error: Exception) -> LinkLost:
        self._drop_port()
        return LinkLost("", self.name, self._silent_s(), LossReason.OS_ERROR, _why(error))

    def _silent_s(self) -> float:
        return self.clock.now_s() - self._last_byte_s

    def _drop_port(self) -> None:
        port, self._port = self._port, None
        if port is None:
            return
        try:
            port.reset_output_buffer()  # closing waits for unsent bytes otherwise, up to 30 s on Linux
        except PORT_ERRORS:
            pass  # the port is already gone
        try:
            port.close()
        except PORT_ERRORS:
            pass  # the same


def _open(device: str) -> serial.SerialBase:
    """Opened port, for this process alone where the platform can say so (Windows always does)."""
    try:
        return serial.serial_for_url(
            device, baudrate=_BAUD, timeout=0, write_timeout=_WRITE_TIMEOUT_S, exclusive=_exclusive(device)
        )
    except (
        ValueError
    ) as error:  # pyserial: a URL with an unknown scheme, or a setting that the port does not take
        raise OSError(str(error)) from error


def _exclusive(device: str) -> bool | None:
    return True if os.name == "posix" and "://" not in device else None


def _why(error: Exception) -> str:
    """The operating system's words for an error, without pyserial's wrapping of them."""
    if isinstance(error, serial.SerialTimeoutException):
        return f"the board took no bytes for {_WRITE_TIMEOUT_S:g} s"
    number = error.errno if isinstance(error, OSError) else None
    if number is None:  # termios.error is no OSError but has its number too; pyserial may have wrapped it
        number = next((first for one in (error, error.__context__) if one for first in one.args[:1]), None)
        if not isinstance(number, int) and error.__context__ is not None:
            number = next(iter(error.__context__.args), None)
    if number == errno.ENOTTY:
        return "this is no serial port"
    if isinstance(number, int) and number:
        return os.strerror(number)
    return str(error)
