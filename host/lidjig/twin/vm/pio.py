"""One PIO state machine, instruction by instruction (RP2040 datasheet 3.4).

It runs when somebody looks, up to the time asked for. Four things are taken in one step, with the same result as one
by one: a jump to itself, a stall (whatever ends it brings the machine up to date first), the rounds of a program that
came back to the same state without having seen anything from outside, and the samples that a program of one IN takes of
a pin at rest. What an instruction gives to pins counts
from the beginning of its cycle.
"""

from pio_state import M32, State

TYPE_CHECKING = False  # the simulating interpreter may have no typing; type checkers know this name
if TYPE_CHECKING:
    from pio_state import Op

# Kinds of instructions: bits 15:13, and pull as one of its own.
_JMP, _WAIT, _IN, _OUT, _PUSH, _MOV, _IRQ, _SET, _PULL = range(9)


def spread(value: int, base: int, count: int) -> int:
    """The lowest count bits at pins base, base + 1, ...; after pin 31 comes pin 0."""
    value &= (1 << count) - 1
    return (value << base | value << base >> 32) & M32


class Machine(State):
    """A state machine that executes."""

    def run(self, t: int) -> None:
        """Alone, all cycles that begin before t."""
        end = self.first_cycle(t)
        if self.samples is None:
            self.samples = self._only_samples()
        if self.samples and self.cycle < end:
            self._sample(end)
        while self.cycle < end:
            self.step(end, True)

    # a program of one IN

    def _only_samples(self) -> bool:
        pc = self.wrap_bottom
        if pc != self.wrap_top or not self.autopush:
            return False
        kind, source, count, delay, side_mask, _levels, _dirs = self.decode(self.block.memory[pc])
        return kind == _IN and source == 0 and count == 1 and not delay and not side_mask

    def _sample(self, end: int) -> None:
        # The pin rests until `end`: who changes a plain input brings the block up to date before (Block.run()).
        if self.pc != self.wrap_bottom or self.forced is not None or self.stalled or self.block.foreign(self.in_base):
            return
        level = self.block.pad(self.in_base, self.time_of(self.cycle))
        self.noticed = True
        while self.cycle < end:
            count = min(self.push_thresh - self.isr_n, end - self.cycle)
            bits = ((1 << count) - 1) * level
            if self.in_right:
                self.isr = self.isr >> count | bits << (32 - count)
            else:
                self.isr = (self.isr << count | bits) & M32
            self.isr_n += count
            self.cycle += count
            if self.isr_n >= self.push_thresh:
                if self.rx_n >= self.rx_depth:
                    # The last one waits for room, and does not end.
                    self.halfway = True
                    self.cycle -= 1
                    return
                self.push()

    # instructions

    def decode(self, code: int) -> "Op":
        kind = code >> 13 & 7
        a, b = code >> 5 & 7, code & 31
        if kind == _PUSH and code & 0x80:
            kind = _PULL
        elif kind in (_IN, _OUT):
            b = b or 32
        field = code >> 8 & 31
        delay_bits = 5 - self.side_count - self.side_optional
        delay = field & ((1 << delay_bits) - 1)
        mask = levels = 0
        if self.side_count and (not self.side_optional or field & 16):
            mask = spread(M32, self.side_base, self.side_count)
            levels = spread(field >> delay_bits, self.side_base, self.side_count)
        return kind, a, b, delay, mask, levels, self.side_dirs

    def execute(self, code: int, t: int) -> None:
        """An instruction from the processor at t, between the program's own; its delay is left out."""
        op = self.decode(code)
        self.forced = op[:3] + (0,) + op[4:]
        self.stalled = self.halfway = False
        self.forget_round()
        cycle = self.cycle
        if self.enabled:
            self.cycle = self.first_cycle(t)
        else:
            self.base = t
            self.cycle = 0
        slot = self.cycle
        self.step(slot + 1, False)
        if self.enabled:
            self.cycle = max(slot + 1, 0 if self.stalled else cycle)
        else:
            self.cycle = cycle

    def step(self, end: int, alone: bool) -> None:
        """The instruction that is due. alone: may go on to `end` at once, where nothing else can happen before."""
        block = self.block
        pc = self.pc
        forced = self.forced
        op = forced or self.ops[pc]
        if op is None:
            op = self.ops[pc] = self.decode(block.memory[pc])
        kind, a, b, delay, side_mask, side_levels, side_dirs = op
        self.forced = None
        t = self.base + self.cycle * self.div // 256
        turns = 1  # times that it is executed
        done = True
        target = -1
        if kind == _JMP:
            if self._condition(a, t):
                target = b
            if b == pc and forced is None:
                turns, target = self._jump_to_itself(a, target, delay, end, alone)
        elif kind == _SET:
            self._set(a, b)
        elif kind == _OUT:
            if self.autopull and self.osr_n >= self.pull_thresh:
                if self.tx_n:
                    self.pull()
                    self.forced = forced
                    self.cycle += 1
                else:
                    self._stall(forced, end, alone)
                done = False
            else:
                target = self._out(a, b)
                if self.forced is not None:
                    delay = 0
        elif kind == _MOV:
            target = self._mov(a, b, t)
            if self.forced is not None:
                delay = 0
        else:
            if kind == _PULL:
                done = self._pull_asked(a)
            elif kind == _PUSH:
                done = self._push_asked(a)
            elif kind == _IN:
                done = self._in(a, b, t)
            elif kind == _WAIT:
                done = self._wait(a, b, t)
            else:
                done = self._irq(a, b, t)
            if not done:
                self._stall(forced, end, alone)
        if side_mask:
            if side_dirs:
                block.oe = block.oe & ~side_mask | side_levels
            else:
                block.out = block.out & ~side_mask | side_levels
        if block.out != block.out_seen or block.oe != block.oe_seen:
            block.pins_changed(t)
        if self.autopull and self.tx_n and self.osr_n >= self.pull_thresh:
            self.pull()
        if not done:
            return
        self.stalled = False
        self.cycle += turns * (1 + delay)
        if target >= 0:
            self.pc = target
            if a == 0 and target == self.wrap_bottom and alone and kind == _JMP:
                self._round(end)
        elif forced is None:
            if pc == self.wrap_top:
                self.pc = self.wrap_bottom
                if alone:
                    self._round(end)
            else:
                self.pc = (pc + 1) & 31

    def _stall(self, forced: "Op | None", end: int, alone: bool) -> None:
        # Tried again when something may have changed for it: not before `end`, or as the block finds out.
        self.forced = forced
        self.stalled = True
        if alone:
            self.cycle = end

    def _condition(self, condition: int, t: int) -> bool:
        if condition == 0:
            return True
        if condition == 1:
            return self.x == 0
        if condition == 2:
            before = self.x
            self.x = (before - 1) & M32
            return before != 0
        if condition == 3:
            return self.y == 0
        if condition == 4:
            before = self.y
            self.y = (before - 1) & M32
            return before != 0
        if condition == 5:
            return self.x != self.y
        if condition == 6:
            self.noticed = self.noticed or self.block.foreign(self.jmp_pin)
            return bool(self.block.pad(self.jmp_pin, t))
        return self.osr_n < self.pull_thresh

    def _jump_to_itself(self, condition: int, target: int, delay: int, end: int, alone: bool) -> tuple[int, int]:
        # (times that it is executed until `end`, where it goes then). One time was already counted.
        if target < 0:
            return 1, target
        room = (end - self.cycle + delay) // (1 + delay)
        if room <= 1:
            return 1, target
        if condition == 2 or condition == 4:
            left = self.x if condition == 2 else self.y  # jumps still to come; then it goes on
            more = min(left + 1, room - 1)
            if more == left + 1:
                target = -1
            if condition == 2:
                self.x = (left - more) & M32
            else:
                self.y = (left - more) & M32
            return 1 + more, target
        return (room if alone else 1), target

    def _set(self, destination: int, value: int) -> None:
        block = self.block
        if destination == 0 or destination == 4:
            mask = spread(M32, self.set_base, self.set_count)
            levels = spread(value, self.set_base, self.set_count)
            if destination == 0:
                block.out = block.out & ~mask | levels
            else:
                block.oe = block.oe & ~mask | levels
        elif destination == 1:
            self.x = value
        elif destination == 2:
            self.y = value

    def _out_pins(self, value: int, directions: bool) -> None:
        block = self.block
        mask = spread(M32, self.out_base, self.out_count)
        levels = spread(value, self.out_base, self.out_count)
        if directions:
            block.oe = block.oe & ~mask | levels
        else:
            block.out = block.out & ~mask | levels

    def _out(self, destination: int, count: int) -> int:
        # Gives where to jump, or -1.
        osr = self.osr
        if self.out_right:
            value = osr & ((1 << count) - 1)
            self.osr = osr >> count
        else:
            value = osr >> (32 - count)
            self.osr = osr << count & M32
        self.osr_n = min(self.osr_n + count, 32)
        if destination == 0 or destination == 4:
            self._out_pins(value, destination == 4)
        elif destination == 1:
            self.x = value
        elif destination == 2:
            self.y = value
        elif destination == 5:
            return value & 31
        elif destination == 6:
            self.isr = value
            self.isr_n = count
        elif destination == 7:
            self.forced = self.decode(value & 0xFFFF)
        return -1

    def _source(self, source: int, t: int, count: int) -> int:
        if source == 0:
            self.noticed = True
            return self.block.pads(self.in_base, count, t)
        if source == 1:
            return self.x
        if source == 2:
            return self.y
        if source == 5:
            level = self.rx_n if self.status_rx else self.tx_n
            return M32 if level < self.status_below else 0
        if source == 6:
            return self.isr
        if source == 7:
            return self.osr
        return 0

    def _mov(self, destination: int, low: int, t: int) -> int:
        # Gives where to jump, or -1.
        value = self._source(low & 7, t, 32)
        operation = low >> 3 & 3
        if operation == 1:
            value ^= M32
        elif operation == 2:
            value = _reversed(value)
        if destination == 0:
            self._out_pins(value, False)
        elif destination == 1:
            self.x = value
        elif destination == 2:
            self.y = value
        elif destination == 4:
            self.forced = self.decode(value & 0xFFFF)
        elif destination == 5:
            return value & 31
        elif destination == 6:
            self.isr = value
            self.isr_n = 0
        elif destination == 7:
            self.osr = value
            self.osr_n = 0
        return -1

    def _in(self, source: int, count: int, t: int) -> bool:
        # With autopush (RP2040 datasheet 3.5.4.1): it shifts once, and may have to wait for room.
        if not self.halfway:
            value = self._source(source, t, count) & ((1 << count) - 1)
            if self.in_right:
                self.isr = self.isr >> count | value << (32 - count)
            else:
                self.isr = (self.isr << count | value) & M32
            self.isr_n = min(self.isr_n + count, 32)
        if self.autopush and self.isr_n >= self.push_thresh:
            self.halfway = self.rx_n >= self.rx_depth
            if self.halfway:
                return False
            self.push()
        return True

    def _push_asked(self, modifiers: int) -> bool:
        # modifiers: bit 1 only when full, bit 0 waits for room.
        if modifiers & 2 and self.isr_n < self.push_thresh:
            return True
        if self.rx_n < self.rx_depth:
            self.push()
            return True
        if modifiers & 1:
            return False
        self.isr = self.isr_n = 0
        return True

    def _pull_asked(self, modifiers: int) -> bool:
        # modifiers: bit 1 only when empty, bit 0 waits for a word.
        if modifiers & 2 and self.osr_n < self.pull_thresh:
            return True
        if self.autopull and self.osr_n == 0:
            return True  # a full OSR: the machine has pulled by itself
        if self.tx_n:
            self.pull()
            return True
        if modifiers & 1:
            return False
        self.osr = self.x
        self.osr_n = 0
        return True

    def _flag(self, index: int) -> int:
        # Bit of an IRQ flag; relative ones count from this machine.
        if index & 16:
            return 1 << (index & 4 | (index + self.number) & 3)
        return 1 << (index & 7)

    def _wait(self, a: int, index: int, t: int) -> bool:
        # a: bit 2 the level waited for, the rest where.
        wanted = a >> 2
        source = a & 3
        self.noticed = True
        if source == 2:
            bit = self._flag(index)
            if bool(self.block.flags_at(t) & bit) != bool(wanted):
                return False
            if wanted:
                self.block.change_flags(0, bit, t)
            return True
        pin = index if source == 0 else (self.in_base + index) & 31
        return self.block.pad(pin, t) == wanted

    def _irq(self, modifiers: int, index: int, t: int) -> bool:
        # modifiers: bit 1 clears, bit 0 waits until somebody else has cleared it.
        self.noticed = True
        bit = self._flag(index)
        if modifiers & 2:
            self.block.change_flags(0, bit, t)
            return True
        if not self.halfway:
            self.block.change_flags(bit, 0, t)
            if not modifiers & 1:
                return True
            self.halfway = True
            return False
        if self.block.flags_at(t) & bit:
            return False
        self.halfway = False
        return True

    # rounds

    def _round(self, end: int) -> None:
        # At the beginning of the program again. In the same state as the last time, and with nothing seen from
        # outside in between, it will go on doing the same.
        block = self.block
        state = (
            self.pc, self.x, self.y, self.isr, self.isr_n, self.osr, self.osr_n, self.rx_n, self.tx_n,
            block.out, block.oe,
        )  # fmt: skip
        if self.noticed or self.forced is not None or state != self.mark:
            self.mark = state
            self.mark_cycle = self.cycle
            self.round_cycles = 0
            self.noticed = False
            return
        length = self.cycle - self.mark_cycle
        rounds = (end - self.cycle) // length
        if rounds > 0 and block.repeat(self, self.mark_cycle, length, rounds):
            self.cycle += rounds * length
        self.mark_cycle = self.cycle
        self.round_cycles = length


def _reversed(value: int) -> int:
    out = 0
    for _ in range(32):
        out = out << 1 | value & 1
        value >>= 1
    return out
