"""A bench meter with an interface, asked in SCPI: through pyvisa, or where that is not installed through pyserial.

Sent are *IDN?, MEAS:VOLT:DC? and, where asked for, SYST:REM: no setting of the meter is changed beyond what these do.
"""

from __future__ import annotations

import os
import re
import time
from typing import Any, Protocol

from lidjig.bench.meter import HIGHEST_V, MeterFailed, MeterReading, MeterSpec, parse_volts, plausible, short_name
from lidjig.errors import BadInput

IDENTIFY, MEASURE, REMOTE = "*IDN?", "MEAS:VOLT:DC?", "SYST:REM"
ENDINGS = {"lf": "\n", "cr": "\r", "crlf": "\r\n"}
REPLY_MAX = 256  # bytes; a reading has under 20
STALE_MAX = 4  # replies to earlier questions that are thrown away before the meter counts as out of step for good
# SCPI-99 volume 1, 7.2.1.4 and 7.2.1.5: infinity is 9.9E37, not-a-number 9.91E37; value from memory.
OVERLOAD = 9.0e37

SILENT = "silent"
GONE = "gone"
RESOURCE_FORMS = (
    "a serial port (/dev/ttyUSB0, COM3, ASRL/dev/ttyUSB0::INSTR), a network socket (socket://192.0.2.7:5025) or a VISA "
    "resource (TCPIP0::192.0.2.7::INSTR, USB0::0x1234::0x0001::INSTR)"
)
_PORT = re.compile(r"(?:/dev/\S+|COM\d+|\w+://\S+)", re.IGNORECASE)
_ASRL = re.compile(r"ASRL(?P<port>.+?)(?:::INSTR)?", re.IGNORECASE)
_VISA = re.compile(r"(?:ASRL|TCPIP|USB|GPIB)\d*\S*::\S+|ASRL\S+", re.IGNORECASE)
INSTALL_VISA = "Install it with: pip install 'lidjig[visa]'."
NAME_PORT = "Or name the serial port itself, such as /dev/ttyUSB0 or COM3: that needs no VISA."

# pyserial lets termios.error through, which is no OSError, when a port vanishes.
_PORT_ERRORS: tuple[type[Exception], ...] = (OSError,)
if os.name == "posix":
    import termios

    _PORT_ERRORS = (OSError, termios.error)
_OPEN_ERRORS: tuple[type[Exception], ...] = (*_PORT_ERRORS, ValueError)  # a setting that the port does not take


class TalkFailed(Exception):
    """A transport did not carry question or answer. kind: SILENT or GONE; why: in the transport's words."""

    def __init__(self, kind: str, why: str) -> None:
        super().__init__(kind, why)
        self.kind, self.why = kind, why


class Talk(Protocol):
    """Lines of text to and from an instrument. write() and read() raise TalkFailed and take no longer than the timeout
    that the transport was opened with; read() gives a line without its ending.
    """

    def write(self, line: str) -> None: ...
    def read(self) -> str: ...
    def close(self) -> None: ...


class ScpiMeter:
    """A SCPI voltmeter over a Talk.

    resource: what it was opened by, for errors. spec: its data sheet. remote: send SYST:REM first, which some meters on
    a serial port want before they measure. expect: a text that its identity has to contain. highest_v: a larger reading
    is no trimmed output's. Raises MeterFailed where it does not identify itself, or as another instrument.
    """

    def __init__(
        self,
        talk: Talk,
        resource: str,
        spec: MeterSpec,
        *,
        remote: bool = False,
        expect: str = "",
        highest_v: float = HIGHEST_V,
    ) -> None:
        self._talk, self._resource, self._spec, self._highest_v = talk, resource, spec, highest_v
        self._in_step = True
        self.identity = ""
        try:
            if remote:
                self._write(REMOTE)
            self.identity = self._identify(expect)
        except BaseException:  # whatever it was: the port is not kept
            talk.close()
            raise

    @property
    def name(self) -> str:
        """What reads, for the record: maker, model and serial number, as far as there is room."""
        return short_name(",".join(self.identity.split(",")[:3]))

    def read_volts(self) -> MeterReading:
        """One measurement. Raises MeterFailed."""
        if not self._in_step:
            self._get_in_step()
        text = self._ask(MEASURE)
        try:
            v, _step_v = parse_volts(text)
        except ValueError as error:
            self._in_step = False
            raise MeterFailed(
                self._resource,
                f"answers {MEASURE} with {_shown(text)}, which is no voltage",
                "Check baud rate and line ending, and that it is a voltmeter with SCPI commands; switch it off and on.",
            ) from error
        if abs(v) >= OVERLOAD:
            raise MeterFailed(self._resource, "says overload", "Choose a larger range or autorange; check its leads.")
        problem = plausible(v, self._highest_v)
        if problem:
            todo = "Check where its leads are, and that it is the meter and not a supply that is asked."
            raise MeterFailed(self._resource, problem.partition(": in mV")[0], todo)
        # The digits of a reply are the interface's, not the meter's: the data sheet says how finely it reads.
        return MeterReading(v, self._spec.u_v(v), self._spec.resolution_v, text)

    def close(self) -> None:
        """Let go of the port. Never raises."""
        self._talk.close()

    def _identify(self, expect: str) -> str:
        identity = self._ask(IDENTIFY)
        fields = identity.split(",")
        # IEEE 488.2 10.14: maker, model, serial number, firmware; value from memory. Some makers leave one out.
        if len(fields) < 2 or not identity.isprintable() or not all(field.strip() for field in fields[:2]):
            raise MeterFailed(
                self._resource,
                f"answers {IDENTIFY} with {_shown(identity)}, which names no instrument",
                "Check baud rate and line ending, and that this port is the meter's.",
            )
        if expect.lower() not in identity.lower():
            raise MeterFailed(
                self._resource,
                f"is {_shown(identity)}, and {expect!r} was wanted",
                "Name the meter's own port: another instrument answers on this one.",
            )
        return identity

    def _get_in_step(self) -> None:
        """After a question without an answer: the answer may come late and must not pass for that to the next one."""
        self._write(IDENTIFY)
        for _late in range(STALE_MAX):
            if self._answer(IDENTIFY) == self.identity:
                self._in_step = True
                return
        raise MeterFailed(self._resource, "answers out of turn", "Switch it off and on, then repeat the command.")

    def _write(self, line: str) -> None:
        try:
            self._talk.write(line)
        except TalkFailed as failure:
            raise self._failed(line, failure) from failure

    def _ask(self, line: str) -> str:
        self._write(line)
        return self._answer(line)

    def _answer(self, line: str) -> str:
        try:
            return self._talk.read().strip()
        except TalkFailed as failure:
            self._in_step = False
            raise self._failed(line, failure) from failure

    def _failed(self, line: str, failure: TalkFailed) -> MeterFailed:
        if failure.kind == SILENT:
            return MeterFailed(
                self._resource,
                f"did not answer {line} ({failure.why})",
                "Check that it is on, its interface, baud rate and line ending; some meters want SYST:REM first.",
            )
        return MeterFailed(
            self._resource,
            f"was lost while it was asked {line} ({failure.why})",
            "Check its cable and power, then repeat the command.",
        )


def check_resource(resource: str, key: str = "meter", others: str = "") -> str:
    """resource without the blanks around it. key, others: what errors call it, and what else is accepted there.

    Raises BadInput for what names no instrument.
    """
    given = resource.strip()
    if not _PORT.fullmatch(given) and not _VISA.fullmatch(given):
        raise BadInput("", key, resource, others + RESOURCE_FORMS)
    return given


def open_meter(
    resource: str,
    spec: MeterSpec,
    *,
    timeout_s: float = 5.0,
    baud: int = 9600,
    ending: str = "lf",
    remote: bool = False,
    expect: str = "",
    highest_v: float = HIGHEST_V,
    visa_library: str = "",
) -> ScpiMeter:
    """Open a meter by a serial port's name or a VISA resource string, and have it identify itself.

    A port's name is opened by pyserial. A resource string is opened by pyvisa; where that or its library is missing, a
    serial one is opened by pyserial all the same. timeout_s: the longest wait for one answer. ending: a key of ENDINGS.
    visa_library: as pyvisa.ResourceManager takes it. Raises BadInput for what names no instrument, MeterFailed.
    """
    given = check_resource(resource)
    if ending not in ENDINGS:
        raise BadInput("", "meter line ending", ending, ", ".join(ENDINGS))
    if not 0.0 < timeout_s <= 60.0:
        raise BadInput("", "meter timeout", timeout_s, "above 0 and up to 60 s")
    if not 300 <= baud <= 4_000_000:
        raise BadInput("", "meter baud rate", baud, "300 to 4000000")
    port = given if _PORT.fullmatch(given) else ""
    talk: Talk
    if port:
        talk = SerialTalk(port, baud, ENDINGS[ending], timeout_s)
    else:
        try:
            talk = VisaTalk(given, baud, ENDINGS[ending], timeout_s, visa_library)
        except NoVisa as error:
            port = _port_of(given)
            if not port:
                todo = f"{INSTALL_VISA} {NAME_PORT}" if _ASRL.fullmatch(given) else INSTALL_VISA
                raise MeterFailed(given, f"cannot be opened: {error}", todo) from error
            talk = SerialTalk(port, baud, ENDINGS[ending], timeout_s)
    return ScpiMeter(talk, given, spec, remote=remote, expect=expect, highest_v=highest_v)


def _port_of(resource: str) -> str:
    """The serial port that an ASRL resource string stands for; "" where that cannot be said without VISA."""
    found = _ASRL.fullmatch(resource)
    port = found["port"] if found else ""
    if port.isdigit():
        return f"COM{port}" if os.name == "nt" else ""  # elsewhere the numbers are VISA's own
    return port


class NoVisa(Exception):
    """pyvisa, or the VISA library under it, is not installed."""


class VisaTalk:
    """Lines over a pyvisa resource. Raises NoVisa, or MeterFailed where the resource does not open."""

    def __init__(self, resource: str, baud: int, ending: str, timeout_s: float, library: str) -> None:
        self._manager, self._timeout_s = _visa_manager(library), timeout_s
        try:
            self._resource = self._manager.open_resource(resource, open_timeout=round(1000 * timeout_s))
            self._resource.timeout = 1000 * timeout_s
            self._resource.write_termination = ending
            # The last character is what ends a reply: it may be CR LF where LF was asked for.
            self._resource.read_termination = ending[-1]
            if hasattr(self._resource, "baud_rate"):
                self._resource.baud_rate = baud
            self._check_session()
        except Exception as error:  # pyvisa's back ends raise all kinds, Exception itself included
            self.close()
            raise MeterFailed(
                resource,
                f"cannot be opened: {_one_line(error)}",
                "Check its cable, power and address; 'pyvisa-info' and 'pyvisa-shell' show what VISA sees.",
            ) from error

    def write(self, line: str) -> None:
        try:
            self._resource.write(line)
        except Exception as error:
            raise self._failed(error) from error

    def read(self) -> str:
        # Not pyvisa's own read(): that waits for an ending for ever where an instrument talks without one, or where a
        # back end reports a failure by its status instead of raising it.
        end_s, got = time.monotonic() + self._timeout_s, b""
        while len(got) < REPLY_MAX and time.monotonic() < end_s:
            try:
                with self._resource.ignore_warning(self._more_to_come):  # told of by its status, not by a warning
                    chunk, status = self._resource.visalib.read(self._resource.session, REPLY_MAX - len(got))
            except Exception as error:
                raise self._failed(error) from error
            got += bytes(chunk)
            if status < 0:
                raise TalkFailed(GONE, _status_name(status))
            if status != self._more_to_come:
                return got.decode("ascii", "replace")
        raise _unended(got, self._timeout_s)

    def close(self) -> None:
        for part in (getattr(self, "_resource", None), self._manager):
            try:
                if part is not None:
                    part.close()
            except Exception:  # noqa: BLE001  what is gone needs no closing
                pass

    def _check_session(self) -> None:
        """Raises OSError where opening failed and the back end reports that by a status alone."""
        from pyvisa.constants import ResourceAttribute, StatusCode

        self._timed_out, self._more_to_come = StatusCode.error_timeout, StatusCode.success_max_count_read
        _value, status = self._resource.visalib.get_attribute(self._resource.session, ResourceAttribute.timeout_value)
        if status < 0:
            raise OSError(_status_name(status))

    def _failed(self, error: Exception) -> TalkFailed:
        if getattr(error, "error_code", None) == self._timed_out:
            return TalkFailed(SILENT, f"nothing within {self._timeout_s:g} s")
        return TalkFailed(GONE, _one_line(error))


def _visa_manager(library: str) -> Any:
    """pyvisa's resource manager. Raises NoVisa."""
    try:
        import pyvisa
    except ImportError as error:
        raise NoVisa("pyvisa is not installed") from error
    try:
        return pyvisa.ResourceManager(library)
    except (ValueError, OSError) as error:
        raise NoVisa(f"no VISA library: {_one_line(error)}") from error


class SerialTalk:
    """Lines over a serial port, through pyserial. Raises MeterFailed where the port does not open."""

    def __init__(self, port: str, baud: int, ending: str, timeout_s: float) -> None:
        import serial  # type: ignore[import-untyped]

        self._ending, self._timeout_s = ending.encode("ascii"), timeout_s
        # For this process alone, where that can be said: so the jig's own port is not taken for the meter's.
        exclusive = True if os.name == "posix" and "://" not in port else None
        try:
            self._port = serial.serial_for_url(
                port, baudrate=baud, timeout=timeout_s, write_timeout=timeout_s, exclusive=exclusive
            )
        except _OPEN_ERRORS as error:
            raise MeterFailed(
                port,
                f"cannot be opened: {_one_line(error)}",
                "List the ports with 'lidjig ports'; close other programs that use it; check your rights to it.",
            ) from error

    def write(self, line: str) -> None:
        try:
            self._port.reset_input_buffer()  # what came unasked is no answer to this
            self._port.write(line.encode("ascii") + self._ending)
        except _PORT_ERRORS as error:
            raise TalkFailed(GONE, _one_line(error)) from error

    def read(self) -> str:
        end_s, got = time.monotonic() + self._timeout_s, b""
        while time.monotonic() < end_s and len(got) < REPLY_MAX:
            try:
                byte = bytes(self._port.read(1))
            except _PORT_ERRORS as error:
                raise TalkFailed(GONE, _one_line(error)) from error
            if byte in (b"\r", b"\n"):
                if got:
                    return got.decode("ascii", "replace")
                continue  # the second half of the ending before
            got += byte
        raise _unended(got, self._timeout_s)

    def close(self) -> None:
        try:
            self._port.close()
        except _PORT_ERRORS:
            pass  # what is gone needs no closing


def _unended(got: bytes, timeout_s: float) -> TalkFailed:
    """Half a line is no answer: the first half of a number is another number."""
    if not got:
        return TalkFailed(SILENT, f"nothing within {timeout_s:g} s")
    return TalkFailed(SILENT, f"only {_shown(got.decode('ascii', 'replace'))} without a line ending in {timeout_s:g} s")


def _status_name(status: int) -> str:
    """A VISA status in words, its number where it has none."""
    return str(getattr(status, "name", status)).replace("_", " ")


def _one_line(error: BaseException) -> str:
    """An error's words on one line, without what would break a sentence."""
    return " ".join(str(error).split()).rstrip(".")[:200] or type(error).__name__


def _shown(text: str) -> str:
    """A reply as it may be printed: quoted, short, nothing that a terminal would obey."""
    return ascii(text if len(text) <= 60 else text[:60] + "...")
