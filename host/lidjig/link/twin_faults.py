"""What the simulated bench's link does wrong: drawn from a seed, in virtual time, on packets of up to 64 bytes."""

from __future__ import annotations

import random
from collections.abc import Sequence

from lidjig.twin.scenario import Fault

PACKET_BYTES = 64  # USB full speed, bulk
NEVER_US = 1 << 62


class LinkFaults:
    """Bytes in, bytes out, and when a stall or reset is due; all times are us of virtual time."""

    def __init__(self, faults: Sequence[Fault], seed: int) -> None:
        self._random = random.Random(f"link {seed}")
        self._rates = {kind: 0.0 for kind in ("drop", "corrupt", "repeat", "split")}
        self._stall_us = 0
        self._stall_rate = self._reset_rate = 0.0
        self.next_stall_us = self.next_reset_us = NEVER_US
        self.stalled_until_us = 0
        self.counts = {kind: 0 for kind in ("drop", "corrupt", "repeat", "split", "stall", "reset")}
        for fault in faults:
            if fault.where == "link":
                self._take(fault)

    def _take(self, fault: Fault) -> None:
        rate = fault.number("rate")
        if fault.kind in self._rates:
            self._rates[fault.kind] = rate
            return
        at_us = round(fault.number("at_s") * 1e6)
        if fault.kind == "stall":
            self._stall_us = round(fault.number("duration_ms") * 1000)
            self._stall_rate = 0.0 if at_us >= 0 else rate
            self.next_stall_us = at_us if at_us >= 0 else self._later(0, rate)
        elif fault.kind == "reset":
            self._reset_rate = 0.0 if at_us >= 0 else rate
            self.next_reset_us = at_us if at_us >= 0 else self._later(0, rate)

    def _later(self, now_us: int, rate_per_min: float) -> int:
        if rate_per_min <= 0.0:
            return NEVER_US
        return now_us + 1 + round(self._random.expovariate(rate_per_min / 60e6))

    def change_us(self, now_us: int) -> int:
        """When the link next changes by itself."""
        ends = [self.next_stall_us, self.next_reset_us]
        if self.stalled_until_us > now_us:
            ends.append(self.stalled_until_us)
        return min(ends)

    def stalled(self, now_us: int) -> bool:
        """True while nothing passes."""
        if now_us >= self.next_stall_us:
            self.stalled_until_us = now_us + self._stall_us
            self.next_stall_us = self._later(self.stalled_until_us, self._stall_rate)
            self.counts["stall"] += 1
        return now_us < self.stalled_until_us

    def reset_due(self, now_us: int) -> bool:
        """True once per reset."""
        if now_us < self.next_reset_us:
            return False
        self.next_reset_us = self._later(now_us, self._reset_rate)
        self.counts["reset"] += 1
        return True

    def pass_on(self, data: bytes, *, to_host: bool) -> list[bytes]:
        """The bytes as they arrive, in one or more pieces."""
        if not data or not any(self._rates.values()):
            return [data] if data else []
        pieces: list[bytes] = []
        out = bytearray()
        for start in range(0, len(data), PACKET_BYTES):
            packet = self._spoil(data[start : start + PACKET_BYTES])
            if to_host and len(packet) > 1 and self._hit("split"):
                cut = self._random.randrange(1, len(packet))
                pieces.append(bytes(out + packet[:cut]))
                out = bytearray(packet[cut:])
            else:
                out += packet
        return [piece for piece in [*pieces, bytes(out)] if piece]

    def _spoil(self, packet: bytes) -> bytes:
        if self._hit("drop"):
            return b""
        if self._hit("corrupt"):
            at = self._random.randrange(len(packet))
            flipped = packet[at] ^ 1 << self._random.randrange(8)
            packet = packet[:at] + bytes((flipped,)) + packet[at + 1 :]
        return packet + packet if self._hit("repeat") else packet

    def _hit(self, kind: str) -> bool:
        rate = self._rates[kind]
        if rate <= 0.0 or self._random.random() >= rate:
            return False
        self.counts[kind] += 1
        return True
