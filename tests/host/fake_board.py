"""A small board for tests of the host: the real BoardSession, and behind it a few lines that stand for the
firmware.

It keeps what jig.py can see (lock, route, angle, events, blobs, readings) and nothing electrical. Time is
whatever the owner passes in, so that it runs in virtual time behind FakeLink and in wall time behind a
socket or pseudo-terminal.
"""

from __future__ import annotations

import binascii
import random
from collections.abc import Callable
from typing import Any

from lidjig.errors import LinkLost, LossReason, NoJig
from lidjig.jig_samples import Batch
from lidjig.link.base import Clock, Deadline, Traits

from shared_proto import codec, names
from shared_proto.codec import Message
from shared_proto.frame import FrameDecoder, encode_frame
from shared_proto.session import BoardSession

SILENCE_US = 1_000_000
BOARD_ID = 0xE6614103E7452D2F


class FakeBoard:
    """One board. `turn(data, now_us)` takes bytes in and gives bytes out; `reset()` is a power cut."""

    def __init__(self, *, board_id: int = BOARD_ID, boot_id: int = 0x1000, major: int | None = None) -> None:
        self.board_id = board_id
        self.boot_id = boot_id
        self.major = major
        self.performed: list[Message] = []
        self.blobs: dict[int, bytes] = {}
        self.readings: dict[int, list[int]] = {}
        self.deaf_to: set[str] = set()  # requests that are taken and never answered
        self.refuse: dict[str, tuple[int, int]] = {}
        self.series: dict[int, int] = {}  # channel -> number of its last batch
        self.meters = {"bus": names.BUS_OK, "meter_1": names.METER_OK, "meter_2": 0, "errors": 0, "recoveries": 0}
        self._frames = FrameDecoder()
        self.left = False
        self._leaving = False
        self._reset_asked = False
        self._began_us = 0
        self._boot(0)

    def _boot(self, now_us: int) -> None:
        self._began_us = now_us
        info = {
            "fw_major": 0, "fw_minor": 1, "fw_patch": 0, "board_id": self.board_id, "boot_id": self.boot_id,
            "reset_cause": names.RESET_POWER, "abilities": names.ABILITY_RELAY,
        }  # fmt: skip
        self.session = BoardSession(info, 64, self._pulse_fields)
        self.lock, self.route, self.reason = names.DISARMED, names.ROUTE_THROUGH, names.REASON_BOOT
        self.angle_mdeg, self.segment = 110_000, 0
        self.arrivals: list[tuple[int, int, int]] = []  # (time, segment, angle)
        self._buffer = b""
        self._deferred: list[tuple[int, Message, dict[str, int]]] = []
        self.session.event("boot", 0, cause=names.RESET_POWER)

    def reset(self, now_us: int) -> None:
        """The board starts again: another boot id, no session, no events kept."""
        self.boot_id += 1
        self._boot(now_us)

    def turn(self, data: bytes, now_us: int) -> bytes:
        """What the board sends on having read data at now_us (its owner's clock)."""
        if self.left:
            return b">>> " if data else b""
        if self.major is not None:
            return self._refuse_version(data)
        us = now_us - self._began_us
        for message in self.session.receive(data, us):
            self.performed.append(message)
            self._perform(message, us)
        self._run(us)
        self.session.poll(us)
        out = b""
        while part := self.session.take(256):
            out += part
        self.left = self._leaving
        if self._reset_asked:
            self._reset_asked = False
            self.reset(now_us)
        return out

    def _refuse_version(self, data: bytes) -> bytes:
        out = b""
        for body in self._frames.feed(data):
            message = codec.decode(body)
            if message is not None and message.name == "hello":
                detail = (self.major or 0) << 8
                answer = codec.encode(
                    "refusal", message.seq, request=message.id, reason=names.REFUSED_VERSION, detail=detail
                )
                out += encode_frame(answer)
        return out

    def event(self, name: str, now_us: int, **fields: int) -> None:
        """Something happens on the board."""
        self.session.event(name, now_us - self._began_us, **fields)

    def trip(self, reason: int, now_us: int) -> None:
        self._trip(reason, now_us - self._began_us)

    # -- what stands for the firmware

    def _run(self, us: int) -> None:
        while self.arrivals and self.arrivals[0][0] <= us:
            at, segment, angle = self.arrivals.pop(0)
            self.angle_mdeg = angle
            self.session.event("arrived", at, segment=segment, angle_mdeg=angle)
        for due in [d for d in self._deferred if d[0] <= us]:
            self._deferred.remove(due)
            self.session.answer(due[1], **due[2])
        if self.lock == names.ARMED and us - self.session.last_heard_us >= SILENCE_US:
            self._trip(names.REASON_SILENCE, us)

    def _trip(self, reason: int, us: int) -> None:
        self.lock, self.reason, self.route = names.TRIPPED, reason, names.ROUTE_THROUGH
        self.arrivals.clear()
        self.session.event("lock", us, state=names.TRIPPED, reason=reason, detail=0)

    def _perform(self, message: Message, us: int) -> None:
        if message.name in self.deaf_to:
            return
        if message.name in self.refuse:
            self.session.refuse(message, *self.refuse[message.name])
            return
        handler: Callable[[Message, int], None] = getattr(self, f"_do_{message.name}", self._do_plain)
        handler(message, us)

    def _do_plain(self, message: Message, _us: int) -> None:
        self.session.answer(message)

    def _do_status(self, message: Message, _us: int) -> None:
        fields = dict.fromkeys(
            ("trip_t_us", "trip_detail", "outputs", "heap_free", "events_lost", "tx_dropped", "tick_us_max"),
            0,
        )
        self.session.answer(
            message, lock=self.lock, route=self.route, reason=self.reason, angle_mdeg=self.angle_mdeg,
            moving=int(bool(self.arrivals)), queued=len(self.arrivals), lines=0b100001, supply_mv=3300,
            events_kept=self.session.events_kept, rejects=self.session.rejects,
            profile_crc=self._crc(names.BLOB_PROFILE), wiring_crc=self._crc(names.BLOB_WIRING), **fields,
        )  # fmt: skip

    def _do_arm(self, message: Message, us: int) -> None:
        if self.lock == names.TRIPPED:
            self.session.refuse(message, names.REFUSED_TRIPPED)
            return
        self._lock_to(names.ARMED, us)
        self.session.answer(message)

    def _do_disarm(self, message: Message, us: int) -> None:
        self._lock_to(names.DISARMED, us)
        self.route = names.ROUTE_THROUGH
        self.session.answer(message)

    def _do_clear(self, message: Message, us: int) -> None:
        reason = self.reason
        self._lock_to(names.DISARMED, us)
        self.session.answer(message, reason=reason)

    def _lock_to(self, state: int, us: int) -> None:
        if state != self.lock:
            self.lock, self.reason = state, names.REASON_HOST
            self.session.event("lock", us, state=state, reason=names.REASON_HOST, detail=0)

    def _do_set_route(self, message: Message, _us: int) -> None:
        if self.lock != names.ARMED:
            self.session.refuse(message, names.REFUSED_NOT_ARMED)
            return
        self.route = message.fields["route"]
        self.session.answer(message, route=self.route)

    def _do_move(self, message: Message, us: int) -> None:
        self.segment += 1
        begin = max([us] + [at for at, _, _ in self.arrivals])
        angle = message.fields["angle_mdeg"]
        self.arrivals.append((begin + message.fields["duration_ms"] * 1000, self.segment, angle))
        self.session.event("departed", us, segment=self.segment, angle_mdeg=self.angle_mdeg)
        self.session.answer(message, segment=self.segment, queued=len(self.arrivals))

    def _do_stop(self, message: Message, _us: int) -> None:
        self.arrivals.clear()
        self.session.answer(message, angle_mdeg=self.angle_mdeg)

    def _do_measure(self, message: Message, us: int) -> None:
        n = message.fields["n"]
        given = self.readings.get(message.fields["channel"], [32768])
        taken = [given[k % len(given)] for k in range(n)]
        fields = {
            "channel": message.fields["channel"], "n": n, "total": sum(taken), "low": min(taken), "high": max(taken),
            "total_sq": sum(x * x for x in taken),
        }  # fmt: skip
        self._deferred.append((us + n * 1000, message, fields))

    def _do_watch_lines(self, message: Message, _us: int) -> None:
        self.session.answer(message, lines=0b100001)

    def _do_blob_write(self, message: Message, _us: int) -> None:
        self._buffer = self._buffer[: message.fields["offset"]] + message.fields["data"]
        self.session.answer(message, length=len(self._buffer))

    def _do_blob_commit(self, message: Message, _us: int) -> None:
        if binascii.crc32(self._buffer) != message.fields["crc"]:
            self.session.refuse(message, names.REFUSED_BAD_BLOB)
            return
        self.blobs[message.fields["kind"]] = self._buffer
        self.session.answer(message, crc=message.fields["crc"])

    def _do_blob_read(self, message: Message, _us: int) -> None:
        data = self.blobs.get(message.fields["kind"], b"")
        offset = message.fields["offset"]
        self.session.answer(
            message,
            length=len(data),
            crc=binascii.crc32(data) if data else 0,
            data=data[offset : offset + 128],
        )

    def _do_log_read(self, message: Message, _us: int) -> None:
        entry = (1234).to_bytes(8, "little") + names.LOG_BOOT.to_bytes(2, "little") + bytes(6)
        first = message.fields["start"]
        count = min(8, 10 - first)
        self.session.answer(message, first=first, total=10, entries=entry * count)

    def _do_sample(self, message: Message, us: int) -> None:
        channel, period_ms = message.fields["channel"], message.fields["period_ms"]
        self.series[channel] = 0
        self.session.answer(message, t_us=us, period_ms=period_ms)

    def batch(self, channel: int, now_us: int, values: list[int] | None = None, number: int | None = None) -> bool:
        """Readings of a channel, a millisecond apart, the last of them now. number: another than the next one."""
        values = values or [1, 2, 3, 4]
        self.series[channel] = self.series.get(channel, 0) + 1 if number is None else number
        span_us = (len(values) - 1) * 1000
        t_us = now_us - self._began_us - span_us
        data = b"".join(value.to_bytes(2, "little") for value in values)
        return self.session.batch(channel, self.series[channel], t_us, span_us, data)

    def _do_meters(self, message: Message, _us: int) -> None:
        self.session.answer(message, **self.meters)

    def _do_leave(self, message: Message, _us: int) -> None:
        self.session.answer(message)
        self._leaving = True

    def _do_reset(self, message: Message, _us: int) -> None:
        self.session.answer(message)
        self._reset_asked = True

    def _crc(self, kind: int) -> int:
        return binascii.crc32(self.blobs[kind]) if kind in self.blobs else 0

    def _pulse_fields(self) -> dict[str, Any]:
        return {
            "lock": self.lock, "route": self.route, "reason": self.reason, "angle_mdeg": self.angle_mdeg,
            "lines": 0, "supply_mv": 3300,
        }  # fmt: skip


class VirtualClock:
    def __init__(self) -> None:
        self.us = 0

    def now_s(self) -> float:
        return self.us / 1e6


class FakeLink:
    """A link to a FakeBoard in virtual time: it advances in read() by 1 ms steps, as long as nothing comes.

    Faults: `unplug()` / `plug()` (a loss, and whether the port can be opened again), `mute` (no byte
    passes either way while the port stays open), `drop`, `corrupt` (rates per chunk).
    """

    def __init__(self, board: FakeBoard | None = None, *, seed: int = 1) -> None:
        self.board = board or FakeBoard()
        self._time = VirtualClock()
        self.clock: Clock = self._time
        self.name = "fake"
        self.details: dict[str, str] = {"kind": "fake"}
        self.traits = Traits()
        self.mute = False
        self.drop = 0.0
        self.corrupt = 0.0
        self.closed = False
        self.asked: list[str] = []
        self.reopened = 0
        self.at: list[tuple[float, Callable[[], None]]] = []  # (time in s, what then happens)
        self._random = random.Random(seed)
        self._plugged = True
        self._open = True
        self._to_board = b""

    @property
    def now_us(self) -> int:
        return self._time.us

    def unplug(self) -> None:
        self._plugged = self._open = False

    def plug(self) -> None:
        self._plugged = True

    def write(self, data: bytes) -> None:
        self._check_open()
        self._to_board += self._spoil(data)

    def read(self, timeout_s: float) -> bytes:
        end_us = self._time.us + round(timeout_s * 1e6)
        while True:
            self._check_open()
            data, self._to_board = self._to_board, b""
            came = self._spoil(self.board.turn(data, self._time.us))
            if came or self._time.us >= end_us:
                return came
            self._step()

    def reopen(self, deadline: Deadline) -> None:
        self.reopened += 1
        while not self._plugged:
            if deadline.passed:
                raise NoJig("fake", "it has not come back")
            self.board.turn(b"", self._time.us)
            self._step()
        self._open = True
        self._to_board = b""

    def tell_operator(self, action: str) -> None:
        self.asked.append(action)

    def close(self) -> None:
        self.closed = True
        self._open = False

    def _step(self) -> None:
        self._time.us += 1000
        while self.at and self.at[0][0] <= self._time.now_s():
            self.at.pop(0)[1]()

    def _check_open(self) -> None:
        if not self._open:
            reason = LossReason.CLOSED if self.closed else LossReason.OS_ERROR
            raise LinkLost("", self.name, 0.0, reason, "unplugged")

    def _spoil(self, data: bytes) -> bytes:
        if not data or self.mute or self._random.random() < self.drop:
            return b""
        if self._random.random() < self.corrupt:
            at = self._random.randrange(len(data))
            return data[:at] + bytes([data[at] ^ (1 << self._random.randrange(8))]) + data[at + 1 :]
        return data


class MemorySink:
    """A record in memory, with a switch that makes it fail."""

    def __init__(self) -> None:
        self.stored: list[Any] = []
        self.gaps: list[tuple[str, str, int | None]] = []
        self.batches: list[Batch] = []
        self.frame_lines: list[list[str]] = []
        self.order: list[str] = []
        self.failing: Exception | None = None

    def events(self, batch: list[Any]) -> None:
        if self.failing is not None:
            raise self.failing
        self.stored += batch
        self.order += [event.name for event in batch]

    def gap(self, kind: str, text: str, t_us: int | None) -> None:
        self.gaps.append((kind, text, t_us))
        self.order.append(f"({kind})")

    def batch(self, batch: Batch) -> None:
        if self.failing is not None:
            raise self.failing
        self.batches.append(batch)
        self.order.append(f"{batch.channel} {batch.number}")

    def frames(self, lines: list[str]) -> None:
        self.frame_lines.append(lines)

    @property
    def gap_kinds(self) -> list[str]:
        return [kind for kind, _, _ in self.gaps]
