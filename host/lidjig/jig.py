"""The jig as an object: typed calls in, typed events out. Degrees become millidegrees here and nowhere else.

Single-threaded: bytes move and heartbeats go out only inside a call, so a waiting program waits in pump(),
idle() or wait_event(), never in a sleep. Time is the link's clock: wall time on a port, virtual time on
the simulated bench.

>>> with Jig(open_link("twin"), sink=recorder) as jig:
...     jig.arm()
...     jig.set_route(Route.STANDIN)
...     segment = jig.move(0.0, 0.4)
...     jig.wait_event(lambda e: e.name == "arrived" and e.data["segment"] == segment, Deadline(jig.clock,
2.0), "arrival")
"""

from __future__ import annotations

import binascii
from collections.abc import Iterable, Sequence

from lidjig.errors import BadInput, JigTimeout, LidjigError
from lidjig.jig_core import CLOSE_S, CONNECT_S, REQUEST_S
from lidjig.jig_samples import Batch, BusState, Meters, MeterState
from lidjig.jig_sensor import SensorSide
from lidjig.jig_types import (
    Event,
    Hello,
    LinkState,
    Lock,
    LogEntry,
    Measurement,
    Reason,
    ResetCause,
    Route,
    Sink,
    Status,
    Unrecorded,
    Watch,
    line_levels,
    log_entries,
    millidegrees,
    number_of,
)
from lidjig.link.base import Deadline
from shared_proto import names
from shared_proto.messages import ANGLE_MAX_MDEG

DRIVES = names.DRIVEN  # states of the drive request, in order of number
BLOBS = {names.BLOB_PROFILE: "profile", names.BLOB_WIRING: "wiring", names.BLOB_TRIM: "trim"}

_ANGLE_MAX_DEG = ANGLE_MAX_MDEG / 1000.0
_DURATION_MAX_S = 250.0
_PERIOD_MAX_S = 10.0
_BLOB_PART = 128
_BLOB_MAX = 1024
_MEASURE_MAX = 256
_LOG_TURNS_MAX = 64  # the board keeps far fewer entries than 64 answers hold


class Jig(SensorSide):
    """One jig on one link. See JigCore for connecting, pumping and the record, SensorSide for reading a real sensor.

    Every request pumps until it is answered and raises Refused, JigTimeout, JigRestarted, LinkLost or
    StoreFailed; a value out of range is BadInput before anything is sent. A lost link is tried for retry_s
    inside any call: then the call goes on as if nothing had been, the record has the marks "link-lost",
    "link-back" and "link-state", and `interruptions` has grown. It never re-arms by itself: that is
    the procedure's business, see Bench.persist.
    """

    # -- state and safety

    def status(self) -> Status:
        """The whole state of the board."""
        status = Status.from_fields(self._ask("status"))
        self._set_lock(status.lock, status.reason)
        return status

    def arm(self) -> None:
        """Let the jig drive. Refused while tripped."""
        self._ask("arm")
        self._set_lock(Lock.ARMED, Reason.HOST)

    def disarm(self) -> None:
        """Every drive pin to high impedance, route to the safe one."""
        self._ask("disarm")
        if self.lock is not Lock.TRIPPED:
            self._set_lock(Lock.DISARMED, Reason.HOST)

    def clear(self) -> Reason:
        """Clear a trip; the jig is then disarmed. Returns the trip's reason (NONE when there was none)."""
        reason = Reason(self._ask("clear")["reason"])
        self._set_lock(Lock.DISARMED, Reason.HOST)
        return reason

    # -- what the machine sees

    def set_route(self, route: Route) -> None:
        """Connect the machine's lines; other than the safe route only while armed."""
        self._ask("set_route", route=int(route))

    def move(self, angle_deg: float, duration_s: float, shape: str = "smooth") -> int:
        """Queue a motion to angle_deg over duration_s (0 = jump). Returns the segment's number.

        The events "departed" and "arrived" carry that number. shape: "linear" or "smooth" (minimum jerk).
        """
        mdeg = millidegrees(angle_deg, "angle_deg", highest_deg=_ANGLE_MAX_DEG)
        if not 0.0 <= duration_s <= _DURATION_MAX_S:
            raise BadInput("", "duration_s", duration_s, f"0 to {_DURATION_MAX_S:g} s")
        shape_number = number_of(names.SHAPES, shape, "shape")
        answer = self._ask(
            "move", angle_mdeg=mdeg, duration_ms=round(duration_s * 1000.0), shape=shape_number
        )
        return int(answer["segment"])

    def stop(self) -> float:
        """End motion where it is and empty the queue. Returns that angle, deg."""
        return int(self._ask("stop")["angle_mdeg"]) / 1000.0

    def load(self, target: str | int, state: str | int) -> None:
        """Switch a 10 kohm test load on a line (names.TARGETS): "off", "low" or "high". Armed only."""
        number = number_of(names.TARGETS, target, "target")
        self._ask("load", target=number, state=number_of(names.LOADS, state, "load"))

    def sensor_power(self, on: bool) -> None:
        """Feed the real sensor from the jig, or stop it. Armed, route other than through."""
        self._ask("sensor_power", on=int(on))

    def drive(self, output: int, state: str | int) -> None:
        """Override output 1 or 2 (armed, route standin): "follow" the profile, "low", "high", "released"; "error": what
        the profile of a sensor that tells an angle says for an internal error (output 1; Refused with a switch).
        """
        if output not in (1, 2):
            raise BadInput("", "output", output, "1 or 2")
        self._ask("drive", output=output - 1, state=number_of(DRIVES, state, "drive"))

    # -- what the jig sees

    def measure(self, channel_name: str, n: int = 64) -> Measurement:
        """n readings of an analog channel (names.CHANNELS), one a millisecond; n from 2 (one has no
        spread) to 256.
        """
        if not 2 <= n <= _MEASURE_MAX:
            raise BadInput("", "n", n, f"2 to {_MEASURE_MAX}")
        channel = number_of(names.CHANNELS, channel_name, "channel")
        return Measurement.from_fields(names.CHANNELS[channel], self._ask("measure", channel=channel, n=n))

    def sample(self, channel_name: str, period_s: float) -> float:
        """Have a channel (names.CHANNELS) read every period_s; batches go to the record and to on_batch. 0 stops it.

        Returns the period granted in s, which is longer where the channel is slower. A restart of the board ends it;
        setting it again begins the numbers at 1. BadInput outside 0 to 10 s.
        """
        channel = number_of(names.CHANNELS, channel_name, "channel")
        if not 0.0 <= period_s <= _PERIOD_MAX_S:  # also false for a NaN
            raise BadInput("", "period_s", period_s, f"0 (stop) to {_PERIOD_MAX_S:g} s")
        # Between 0 and half a millisecond the fastest is meant, never a stop.
        period_ms = max(1, round(period_s * 1000.0)) if period_s > 0.0 else 0
        if period_ms:
            period_ms = max(period_ms, names.SAMPLE_MIN_MS[channel])
        answer = self._ask("sample", channel=channel, period_ms=period_ms)
        granted_ms = int(answer["period_ms"])
        if granted_ms:  # after a stop the batches that are still on their way go on counting
            self._numbering.begin(channel, int(answer["t_us"]))
        return granted_ms / 1000.0

    def meters(self) -> Meters:
        """How the power monitors and their bus are."""
        return Meters.from_fields(self._ask("meters"))

    def watch(
        self, channel_name: str, thresholds_raw: Sequence[int], hysteresis_raw: int = 0, dwell_ms: int = 0
    ) -> None:
        """Turn an analog channel's bands into "band" events; no thresholds stops that.

        thresholds_raw: at most three, ascending; hysteresis_raw: whole width, centred on each; all raw
        16-bit.
        """
        channel = number_of(names.CHANNELS, channel_name, "channel")
        levels = [int(level) for level in thresholds_raw]
        if len(levels) > 3 or sorted(levels) != levels:
            raise BadInput("", "thresholds_raw", tuple(levels), "at most three, ascending")
        t1, t2, t3 = (levels + [0, 0, 0])[:3]
        self._ask(
            "watch",
            channel=channel,
            count=len(levels),
            t1=t1,
            t2=t2,
            t3=t3,
            hysteresis=hysteresis_raw,
            dwell_ms=dwell_ms,
        )

    def watch_lines(self, mask_names: Iterable[str]) -> dict[str, int]:
        """Which digital lines (names.LINES) give "edge" events; returns the levels of all lines now."""
        mask = 0
        for name in mask_names:
            mask |= 1 << number_of(names.LINES, name, "line")
        return line_levels(self._ask("watch_lines", mask=mask)["lines"])

    @property
    def rejects(self) -> int:
        """Damaged frames received in this session; the board's own count is in Status."""
        return self._talk.counts()[1]

    # -- what the board keeps

    def load_blob(self, kind: int, data: bytes) -> bool:
        """Put a sensor profile, wiring or trim (names.BLOB_) in force and on the board's flash; only while
        disarmed.

        Returns False without writing when the profile or wiring in force is the same, by its CRC-32.
        """
        if kind not in BLOBS:
            raise BadInput(
                "", "blob", kind, ", ".join(f"{number} ({name})" for number, name in BLOBS.items())
            )
        if not 1 <= len(data) <= _BLOB_MAX:
            raise BadInput("", BLOBS[kind], f"{len(data)} bytes", f"1 to {_BLOB_MAX} bytes")
        crc = binascii.crc32(data)
        if kind != names.BLOB_TRIM:  # of which the status does not tell
            status = self.status()
            if crc == (status.profile_crc if kind == names.BLOB_PROFILE else status.wiring_crc):
                return False
        for offset in range(0, len(data), _BLOB_PART):
            self._ask("blob_write", kind=kind, offset=offset, data=data[offset : offset + _BLOB_PART])
        self._ask("blob_commit", kind=kind, length=len(data), crc=crc)
        return True

    def read_blob(self, kind: int) -> bytes:
        """The profile, wiring or trim in force; empty when there is none.

        JigTimeout when it does not come whole.
        """
        data = b""
        began_s, before = self.clock.now_s(), self._talk.counts()
        for _ in range(_BLOB_MAX // _BLOB_PART + 1):
            if len(data) >= _BLOB_MAX:
                break
            answer = self._ask("blob_read", kind=kind, offset=len(data))
            part = bytes(answer["data"])
            data += part
            if len(data) >= answer["length"]:
                if binascii.crc32(data) == answer["crc"] or not data:
                    return data
                break
            if not part:
                break
        raise self._talk.timeout(f"the {BLOBS.get(kind, 'blob')} with a matching CRC", began_s, before)

    def read_log(self) -> list[LogEntry]:
        """The firmware's own log, oldest entry kept first."""
        entries: list[LogEntry] = []
        start = 0
        for _ in range(_LOG_TURNS_MAX):
            answer = self._ask("log_read", start=start)
            part = log_entries(answer["first"], bytes(answer["entries"]))
            entries += part
            if not part or part[-1].number + 1 >= answer["total"]:
                break
            start = part[-1].number + 1
        return entries

    # -- ends and new beginnings

    def leave(self) -> None:
        """Disarm and give the board's prompt back; nothing answers on this jig afterwards."""
        self._ask("leave")
        self._set_lock(Lock.DISARMED, Reason.HOST)

    def reset(self, deadline: Deadline | None = None) -> Hello:
        """Reset the board and say hello again. Returns the new hello.

        Raises NoJig when it does not come back.
        """
        self._ask("reset")
        return self._hello_after_reset(deadline or Deadline(self.clock, CONNECT_S + self._talk.retry_s))

    def close(self) -> None:
        """Disarm if the jig is armed, as far as it still answers within 2 s, and release the link. Never
        raises LidjigError.

        Safety does not wait for this: a jig that hears nothing lets go after 1 s by itself.
        """
        if self._closed:
            return
        try:
            if self._hello is not None and self.lock is not Lock.DISARMED and self.link_state is LinkState.UP:
                self._last_disarm(Deadline(self.clock, CLOSE_S))
        except LidjigError:
            pass  # the port may be gone; the board lets go by itself
        finally:
            self._closed = True
            self._talk.close()

    def __enter__(self) -> Jig:
        if self._hello is None:
            try:
                self.connect()
            except BaseException:
                self.close()
                raise
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


__all__ = [
    "BLOBS",
    "CONNECT_S",
    "DRIVES",
    "REQUEST_S",
    "Batch",
    "BusState",
    "Event",
    "Hello",
    "Jig",
    "JigTimeout",
    "LinkState",
    "Lock",
    "LogEntry",
    "Measurement",
    "MeterState",
    "Meters",
    "Reason",
    "ResetCause",
    "Route",
    "Sink",
    "Status",
    "Unrecorded",
    "Watch",
]
