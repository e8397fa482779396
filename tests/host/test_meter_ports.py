"""Bench meters behind real transports: pyvisa with simulated instruments, serial ports, a network socket."""

from __future__ import annotations

import os
import select
import socket
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from lidjig.bench.meter import MeterFailed, MeterSpec
from lidjig.bench.meter_scpi import ScpiMeter, open_meter

SPEC = MeterSpec(resolution_v=0.001, reading_percent=0.5, counts=3)
SIMULATED = f"{Path(__file__).parent / 'bench_meters.yaml'}@sim"
IDN = "Ostwald Instruments,M-6000,SN 000417,1.07"

# Through pyvisa, against simulated instruments


@pytest.fixture
def visa() -> Iterator[Callable[..., ScpiMeter]]:
    """Opens a simulated meter; whatever was opened is closed."""
    pytest.importorskip("pyvisa")
    pytest.importorskip("pyvisa_sim")
    opened: list[ScpiMeter] = []

    def open_one(resource: str, **options: object) -> ScpiMeter:
        meter = open_meter(resource, SPEC, visa_library=SIMULATED, **({"timeout_s": 0.1} | options))  # type: ignore[arg-type]
        opened.append(meter)
        return meter

    yield open_one
    for meter in opened:
        meter.close()


@pytest.mark.parametrize(
    "resource", ["TCPIP0::192.0.2.7::inst0::INSTR", "ASRL1::INSTR", "USB0::0x1234::0x0001::SN417::INSTR"]
)
def test_visa_meter_reads(visa: Callable[..., ScpiMeter], resource: str) -> None:
    meter = visa(resource, remote=True, expect="m-6000")
    readings = [meter.read_volts() for _again in range(3)]
    assert [r.v for r in readings] == [1.6502] * 3
    # The nine digits of the interface are not the meter's: its data sheet says 1 mV.
    assert (readings[0].resolution_v, readings[0].text) == (0.001, "+1.65020000E+00")
    assert meter.name == "Ostwald Instruments M-6000 SN 00" and meter.identity.endswith("1.07")


@pytest.mark.parametrize(
    ("host", "words"),
    [
        (8, "did not answer MEAS:VOLT:DC"),
        (9, r"answers MEAS:VOLT:DC\? with"),
        (12, "overload"),
        (10, "more than the 6.6 V"),
    ],
)
def test_visa_meter_without_a_reading(visa: Callable[..., ScpiMeter], host: int, words: str) -> None:
    meter = visa(f"TCPIP0::192.0.2.{host}::inst0::INSTR")
    for _again in range(2):
        with pytest.raises(MeterFailed, match=words) as caught:
            meter.read_volts()
        assert caught.value.next_step and str(caught.value).isascii()


def test_visa_instrument_that_is_another(visa: Callable[..., ScpiMeter]) -> None:
    with pytest.raises(MeterFailed, match="P-30 supply.*'M-6000' was wanted"):
        visa("TCPIP0::192.0.2.10::inst0::INSTR", expect="M-6000")
    with pytest.raises(MeterFailed, match="names no instrument"):
        visa("TCPIP0::192.0.2.11::inst0::INSTR")


def test_visa_resource_that_is_not_there(visa: Callable[..., ScpiMeter]) -> None:
    with pytest.raises(MeterFailed, match="cannot be opened") as caught:
        visa("TCPIP0::192.0.2.99::inst0::INSTR")
    assert "pyvisa-info" in caught.value.next_step


def test_visa_meter_that_goes_away(visa: Callable[..., ScpiMeter]) -> None:
    meter = visa("TCPIP0::192.0.2.7::inst0::INSTR")
    meter.close()
    with pytest.raises(MeterFailed, match="was lost"):
        meter.read_volts()
    meter.close()
    assert visa("TCPIP0::192.0.2.7::inst0::INSTR").read_volts().v == 1.6502  # and comes back


def test_visa_failures_that_are_told_by_a_status_alone(
    visa: Callable[..., ScpiMeter], monkeypatch: pytest.MonkeyPatch
) -> None:
    from pyvisa.constants import StatusCode

    meter = visa("TCPIP0::192.0.2.7::inst0::INSTR")
    library = meter._talk._resource.visalib  # type: ignore[attr-defined]
    for chunk, status, words in (
        (b"", StatusCode.error_connection_lost, "error connection lost"),
        (b"+1.6", StatusCode.success_max_count_read, "without a line ending"),  # and more of it for ever
    ):
        monkeypatch.setattr(library, "read", lambda _session, _count, got=(chunk, status): got)
        with pytest.raises(MeterFailed, match=words):
            meter.read_volts()


def test_without_pyvisa_it_is_said_how_to_get_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pyvisa", None)
    with pytest.raises(MeterFailed, match="pyvisa is not installed") as caught:
        open_meter("TCPIP0::192.0.2.7::INSTR", SPEC)
    assert "lidjig[visa]" in caught.value.next_step


def test_with_pyvisa_but_no_library_it_is_said_too() -> None:
    pytest.importorskip("pyvisa")
    with pytest.raises(MeterFailed, match="no VISA library"):
        open_meter("TCPIP0::192.0.2.7::INSTR", SPEC, visa_library="@nonsense")


def test_start_up_does_not_load_pyvisa() -> None:
    code = "import sys, lidjig.bench.meter_scpi; print([m for m in sys.modules if m.startswith(('pyvisa', 'serial'))])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=30)
    assert done.stdout.strip() == "[]"


# Through pyserial alone


class PtyInstrument:
    """An instrument on the far end of a pseudo terminal, answering with a function from line to bytes."""

    def __init__(self, answer: Callable[[bytes], bytes]) -> None:
        import tty

        self._far, self._near = os.openpty()
        tty.setraw(self._near)
        self.port = os.ttyname(self._near)
        self._leave, self._left = os.pipe()
        self._answer, self._thread = answer, threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        line = b""
        while self._leave not in select.select([self._far, self._leave], [], [])[0]:
            try:
                byte = os.read(self._far, 1)
            except OSError:
                return
            if byte in (b"\n", b"\r"):
                os.write(self._far, self._answer(line))
                line = b""
            else:
                line += byte

    def unplug(self) -> None:
        """The thread ends first: a number closed under it is soon that of another, whose questions it would take."""
        if self._far < 0:
            return
        os.write(self._left, b"x")
        self._thread.join(10.0)
        for end in (self._near, self._far, self._leave, self._left):
            os.close(end)
        self._far = -1


@pytest.fixture
def instrument() -> Iterator[Callable[[Callable[[bytes], bytes]], PtyInstrument]]:
    """Makes instruments on pseudo terminals."""
    if not hasattr(os, "openpty"):
        pytest.skip("no pseudo terminals on this platform")
    made: list[PtyInstrument] = []

    def make(answer: Callable[[bytes], bytes]) -> PtyInstrument:
        made.append(PtyInstrument(answer))
        return made[-1]

    yield make
    for one in made:
        one.unplug()


def good(line: bytes) -> bytes:
    return {b"*IDN?": IDN.encode() + b"\r\n", b"MEAS:VOLT:DC?": b"+1.65020000E+00\r\n"}.get(line, b"")


@pytest.mark.parametrize("ending", ["lf", "cr"])
def test_serial_meter_reads(instrument: Callable[..., PtyInstrument], ending: str) -> None:
    meter = open_meter(instrument(good).port, SPEC, timeout_s=20.0, ending=ending, remote=True)
    assert [meter.read_volts().v for _again in range(3)] == [1.6502] * 3
    meter.close()
    meter.close()


def test_serial_resource_string_needs_no_pyvisa(
    instrument: Callable[..., PtyInstrument], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "pyvisa", None)
    meter = open_meter(f"ASRL{instrument(good).port}::INSTR", SPEC, timeout_s=20.0)
    assert meter.read_volts().v == 1.6502
    meter.close()
    monkeypatch.undo()
    # The same where pyvisa is there and has no library to work with.
    meter = open_meter(f"ASRL{instrument(good).port}::INSTR", SPEC, timeout_s=20.0, visa_library="@nonsense")
    assert meter.read_volts().v == 1.6502
    meter.close()
    monkeypatch.setitem(sys.modules, "pyvisa", None)
    if os.name == "posix":
        with pytest.raises(MeterFailed, match="pyvisa is not installed") as caught:
            open_meter("ASRL1::INSTR", SPEC)
        assert "/dev/ttyUSB0" in caught.value.next_step


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        (b"", r"did not answer \*IDN\? \(nothing within"),
        (b"\xff\xfe\x00" * 200, "without a line ending"),
        (b"no end", "only 'no end' without a line ending"),
        (b"READY\r\n", "names no instrument"),
    ],
)
def test_serial_port_with_no_meter_on_it(
    instrument: Callable[..., PtyInstrument], answer: bytes, words: str
) -> None:
    with pytest.raises(MeterFailed, match=words):
        open_meter(instrument(lambda _line: answer).port, SPEC, timeout_s=0.1)


def test_half_a_reading_is_none(instrument: Callable[..., PtyInstrument]) -> None:
    """Cut off, +1.65020000E+00 would still be a number."""

    def cut(line: bytes) -> bytes:
        return b"+1.6" if line == b"MEAS:VOLT:DC?" else good(line)

    meter = open_meter(instrument(cut).port, SPEC, timeout_s=0.1)
    with pytest.raises(MeterFailed, match=r"only '\+1\.6' without a line ending") as caught:
        meter.read_volts()
    assert "line ending" in caught.value.next_step
    meter.close()


def test_network_socket_needs_no_visa() -> None:
    server = socket.create_server(("127.0.0.1", 0))

    def serve() -> None:
        with server.accept()[0] as far, far.makefile("rb") as lines:
            for line in lines:
                far.sendall(good(line.strip()))

    threading.Thread(target=serve, daemon=True).start()
    with server:
        meter = open_meter(f"socket://127.0.0.1:{server.getsockname()[1]}", SPEC, timeout_s=20.0)
        assert meter.read_volts().v == 1.6502
        meter.close()


def test_serial_meter_unplugged(instrument: Callable[..., PtyInstrument]) -> None:
    far = instrument(good)
    meter = open_meter(far.port, SPEC, timeout_s=0.3)
    far.unplug()
    with pytest.raises(MeterFailed, match=r"was lost|did not answer"):
        meter.read_volts()
    meter.close()


def test_serial_port_that_is_not_there() -> None:
    with pytest.raises(MeterFailed, match="cannot be opened") as caught:
        open_meter("/dev/ttyNoSuchPort0", SPEC)
    assert "lidjig ports" in caught.value.next_step
    with pytest.raises(MeterFailed, match="cannot be opened"):
        open_meter("nosuch://here", SPEC)
