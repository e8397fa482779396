"""One PIO block: program memory, IRQ flags and pins, which its four state machines share. Times: cycles of clk_sys."""

import gpio as g
from pio import Machine
from pio_ear import Ear
from pio_track import KEPT, Track

TYPE_CHECKING = False  # the simulating interpreter may have no typing; type checkers know this name
if TYPE_CHECKING:
    from array import array

    from pio_unit import Pio

ENOMEM = 12
MACHINES = 4
WORDS = 32

# An input passes two flip-flops of clk_sys (RP2040 datasheet 3.5.6.3); an output one before it is at its pin (value
# from memory).
SYNC_CLK = 2
OWN_CLK = SYNC_CLK + 1


class Block:
    """One PIO: memory, flags, pins, four machines."""

    def __init__(self, unit: "Pio", number: int) -> None:
        self.unit = unit
        self.number = number
        self.reset()

    def reset(self) -> None:
        self.memory = [0] * WORDS
        self.used = 0  # bit n: word n holds an instruction of a program
        self.out = self.oe = 0
        self.out_seen = self.oe_seen = 0
        self.given_bits = 0
        self.owned = 0
        self._flags = self._flags_next = 0
        self._flags_at = -1  # when the next ones were written: they count from the cycle after
        self._version = 0
        self._version_at = -1
        self.handled = 0  # flags that interrupt the processor
        self._tracks: dict[int, Track] = {}
        self._coupled = False
        self._alone: dict[int, Machine] = {}  # pin (a bit) -> the machine that alone runs, and drives it
        self._busy = False
        self.ears: dict[int, Ear] = {}  # by pin: what the running machines hear of conductors that carry edges
        self.machines = [Machine(self, number) for number in range(MACHINES)]
        self._seen = [-1] * MACHINES

    # programs

    def add(self, code: "array[int]") -> int:
        """Puts a program into memory, as far up as it fits; its jumps move along. OSError where it does not fit."""
        length = len(code)
        mask = (1 << length) - 1
        at = WORDS - length
        while at >= 0 and self.used & mask << at:
            at -= 1
        if at < 0:
            raise OSError(ENOMEM)
        self.used |= mask << at
        for k in range(length):
            word = code[k]
            self.memory[at + k] = word + at if word >> 13 == 0 else word
        for machine in self.machines:
            machine.forget_code()
        return at

    def remove(self, at: int, length: int) -> None:
        self.used &= ~(((1 << length) - 1) << at)

    # flags

    def flags_at(self, t: int) -> int:
        """The IRQ flags that a cycle beginning at t finds."""
        if t > self._flags_at:
            self._flags = self._flags_next
        return self._flags

    def change_flags(self, on: int, off: int, t: int) -> None:
        self.flags_at(t)
        self._flags_next = (self._flags_next | on) & ~off
        if t >= self._flags_at:
            self._flags_at = t
        self._touched(t)
        calls = on & self.handled
        if calls:
            self.unit.interrupt(self.number, calls)

    def flags_now(self) -> int:
        return self._flags_next

    def _touched(self, t: int) -> None:
        self._version += 1
        self._version_at = t

    # pins

    def own(self, pins: int) -> None:
        """Pins (a mask) are given to this block; they give what its registers say from now on."""
        now = self.unit.now()
        for n in range(g.PINS):
            bit = 1 << n
            if pins & bit and not self.owned & bit:
                before = self.unit.gpio.given(n)
                self.owned |= bit
                track = self._tracks[bit] = self.unit.track_of(n)
                if not track.count:
                    track.first = before
                elif track.level(now) != before:
                    track.add(now, before)
                self.given_bits &= ~bit
                if before:
                    self.given_bits |= bit
                self.pins_changed(now)
                self.unit.gpio.take(n, self)

    def release(self, n: int, level: int) -> None:
        """The pin is somebody else's from now on, and gives that level."""
        now = self.unit.now()
        self.run(now)
        bit = 1 << n
        self.owned &= ~bit
        if self.given_bits >> n & 1 != level:
            self._tracks[bit].add(now, level)
        self.given_bits &= ~bit
        del self._tracks[bit]

    def pins_changed(self, t: int) -> None:
        self.out_seen = self.out
        self.oe_seen = self.oe
        given = self.out & self.oe & self.owned
        changed = given ^ self.given_bits
        self.given_bits = given
        if not changed:
            return
        for bit in self._tracks:
            if changed & bit:
                self._tracks[bit].add(t, 1 if given & bit else 0)
        self._touched(t)

    def given(self, n: int) -> int:
        """What the pin gives now (0 where it gives nothing)."""
        now = self.unit.now()
        level = self._foreseen(1 << n, now)
        if level >= 0:
            return level
        self.run(now)
        return self.given_bits >> n & 1

    def _foreseen(self, bit: int, t: int) -> int:
        # The level at t of a pin whose only running machine goes round and round, without running it there; -1: not
        # known. What it gave in the last round that was executed it gives in every later one.
        machine = self._alone.get(bit)
        if machine is None or not machine.round_cycles or not self.owned & bit:
            return -1
        cycle = machine.first_cycle(t + 1) - 1
        if cycle < machine.cycle:
            return -1
        length = machine.round_cycles
        begin = machine.mark_cycle - length
        track = self._tracks[bit]
        if track.count >= KEPT and track.oldest() >= machine.time_of(begin):
            return -1
        return track.level(machine.time_of(begin + (cycle - machine.mark_cycle) % length))

    def drives(self, n: int) -> bool:
        return bool(self.oe >> n & 1)

    def pad(self, n: int, t: int) -> int:
        """The level of a pin that an instruction at t finds."""
        if n >= g.PINS:
            return 0
        if self.owned & self.oe & 1 << n:
            return self._tracks[1 << n].level(t - OWN_CLK)
        if n in self.ears:
            return self.ears[n].level
        return self.unit.pad(n, t, self)

    def foreign(self, n: int) -> bool:
        """Whether the level of a pin may change while this block runs on. That of a plain input does not: the block is
        brought up to date before (Pio.listen(), Pio.feed()).
        """
        return n < g.PINS and self.unit.gpio.owner[n] is not None

    def pads(self, base: int, count: int, t: int) -> int:
        """Levels of count pins from base on, the first one in bit 0."""
        levels = 0
        for k in range(count):
            levels |= self.pad((base + k) & 31, t) << k
        return levels

    # time

    def run(self, t: int) -> None:
        """All cycles that begin before t."""
        if self._busy:
            return
        self._busy = True
        if self.ears:
            self._hear(t)
        self._run_to(t)
        self._busy = False

    def _hear(self, t: int) -> None:
        # Up to each edge that the pins with ears get until t.
        now = self.unit.now()
        found = []
        for pin in self.ears:
            ear = self.ears[pin]
            ear.catch_up(now)
            found += [(at, pin, level) for at, level in ear.take(t - SYNC_CLK)]
        found.sort()
        for at, pin, level in found:
            self._run_to(at + SYNC_CLK)
            self.ears[pin].level = level

    def _run_to(self, t: int) -> None:
        if self._coupled:
            self._run_together(t)
            return
        for machine in self.machines:
            if machine.enabled:
                machine.run(t)

    def couple(self) -> None:
        """Finds out whether a running machine may see what it, or another one, does to flags and pins."""
        running = [machine for machine in self.machines if machine.enabled]
        self._open_ears(running)
        self._coupled = len(running) > 1 and any([self._uses_flags(machine) for machine in running])
        self._alone = {}
        driven = 0
        for machine in running:
            pins = self._driven(machine)
            if driven & pins:
                self._coupled = True
            driven |= pins
        for machine in running:
            if driven & self.read_by(machine):
                self._coupled = True
        if len(running) == 1:
            for n in range(g.PINS):
                if driven >> n & 1:
                    self._alone[1 << n] = running[0]

    def _open_ears(self, running: list[Machine]) -> None:
        # An ear begins with its machine: what the pin was before matters to nobody.
        lines = self.unit.lines
        if not lines:
            return
        mask = 0
        for machine in running:
            mask |= self.read_by(machine)
        before, self.ears = self.ears, {}
        for pin in lines:
            if mask >> pin & 1:
                self.ears[pin] = before.get(pin) or Ear(lines[pin], self.unit.now() - SYNC_CLK)

    def _driven(self, machine: Machine) -> int:
        mask = 0
        for base, count in (
            (machine.out_base, machine.out_count),
            (machine.set_base, machine.set_count),
            (machine.side_base, machine.side_count),
        ):
            for k in range(count):
                mask |= 1 << ((base + k) & 31)
        return mask

    def _program(self, machine: Machine) -> list[int]:
        # What it may execute, without what comes through a FIFO.
        at, length = machine.program
        return self.memory[at : at + length]

    def _uses_flags(self, machine: Machine) -> bool:
        return any([word >> 13 == 6 or word & 0xE060 == 0x2040 for word in self._program(machine)])

    def read_by(self, machine: Machine) -> int:
        """Mask of the pins that a machine may read."""
        mask = 0
        base = machine.in_base
        for word in self._program(machine):
            kind = word >> 13
            count = 0
            if kind == 1 and word & 0x60 == 0:
                mask |= 1 << (word & 31)
            elif kind == 1 and word & 0x60 == 0x20:
                mask |= 1 << ((base + word) & 31)
            elif kind == 2 and word & 0xE0 == 0:
                count = word & 31 or 32
            elif kind == 5 and word & 7 == 0:
                count = 32
            elif kind == 0 and word & 0xE0 == 0xC0:
                mask |= 1 << machine.jmp_pin
            for k in range(count):
                mask |= 1 << ((base + k) & 31)
        return mask & ((1 << g.PINS) - 1)

    def _run_together(self, t: int) -> None:
        # Whoever is due first goes first; a stalled one waits until another one has done something to flags or pins.
        seen = self._seen
        running = [machine for machine in self.machines if machine.enabled]
        while True:
            best = None
            best_t = t
            for machine in running:
                if machine.stalled:
                    if seen[machine.number] == self._version:
                        continue
                    cycle = max(machine.cycle, machine.first_cycle(self._version_at + 1))
                    due = machine.time_of(cycle)
                else:
                    due = machine.time_of(machine.cycle)
                if due < best_t:
                    best, best_t = machine, due
            if best is None:
                break
            if best.stalled:
                best.cycle = best.first_cycle(best_t)
            # What was done to a pin is seen some cycles later.
            seen[best.number] = self._version if best_t > self._version_at + OWN_CLK else -1
            best.step(best.first_cycle(t), False)
            if best.stalled:
                best.cycle += 1
        for machine in running:
            if machine.stalled:
                machine.cycle = max(machine.cycle, machine.first_cycle(t))
                seen[machine.number] = -1

    def repeat(self, machine: Machine, first_cycle: int, length: int, rounds: int) -> bool:
        """Edges of so many more rounds like the one of `length` cycles from first_cycle on; False: it has too many."""
        begin = machine.time_of(first_cycle)
        end = machine.time_of(first_cycle + length)
        driven = self._driven(machine)
        found = []
        for bit in self._tracks:
            if driven & bit:
                track = self._tracks[bit]
                if track.count >= KEPT and track.oldest() >= begin:
                    return False
                found.append((track, track.between(begin, end)))
        for track, edges in found:
            if not edges:
                continue
            steps = [(machine.first_cycle(t), level) for t, level in edges]
            for k in range(max(rounds - KEPT // len(edges) - 1, 0), rounds):
                for cycle, level in steps:
                    track.add(machine.time_of(cycle + (k + 1) * length), level)
        return True
