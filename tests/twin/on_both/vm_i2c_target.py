"""machine.I2CTarget: a memory with a pointer, or a handler; and the controller that the bench has."""

from vm_rig import Chip, checks, raises

ADDRESS = 0x36


def memory(chip, size=8, **options):
    mem = bytearray(range(16, 16 + size))
    return mem, chip.I2CTarget(0, ADDRESS, mem=mem, sda=20, scl=21, **options)


def check_memory():
    # docs, machine.I2CTarget: the address goes first, and the pointer moves on by itself
    chip = Chip()
    bus = chip.targets
    mem, target = memory(chip)
    assert bus.i2c_write_read(ADDRESS, b"\x02", 3) == bytes([18, 19, 20]) and target.memaddr == 2
    assert bus.i2c_write(ADDRESS, b"\x05ab") and mem[5:7] == b"ab" and target.memaddr == 5
    # After the last byte comes the first; an address beyond the end is taken modulo the size.
    assert bus.i2c_write(ADDRESS, b"\x07yz") and (mem[7], mem[0]) == (121, 122)
    assert bus.i2c_write_read(ADDRESS, bytes([8 + 6]), 3) == bytes([98, 121, 122]) and target.memaddr == 6
    # The pointer stays between transfers.
    assert bus.i2c_write(ADDRESS, b"\x03") and bus.i2c_read(ADDRESS, 2) == bytes([19, 20])
    # What the firmware writes is there for the next read.
    mem[1] = 200
    assert bus.i2c_write_read(ADDRESS, b"\x01", 1) == b"\xc8"


def check_a_read_moves_the_pointer_one_further():
    # ports/rp2/machine_i2c_target.c answers RX_DONE, which ends a read, with one more byte that nobody takes.
    chip = Chip()
    memory(chip)
    bus = chip.targets
    assert bus.i2c_write_read(ADDRESS, b"\x00", 2) == bytes([16, 17])
    assert bus.i2c_read(ADDRESS, 1) == bytes([19])


def check_sizes_of_addresses():
    chip = Chip()
    bus = chip.targets
    mem, target = memory(chip, 64, mem_addrsize=16)
    assert bus.i2c_write(ADDRESS, bytes([0, 40, 1, 2])) and mem[40:42] == b"\x01\x02" and target.memaddr == 40
    mem, target = memory(chip, 4, mem_addrsize=0)
    assert bus.i2c_write(ADDRESS, b"\x09\x08") and mem[:2] == b"\x09\x08"
    for size in (7, 12, 40):
        assert "mem_addrsize" in raises(ValueError, memory, chip, 4, mem_addrsize=size)


def check_who_answers():
    chip = Chip()
    bus = chip.targets
    assert bus.i2c_read(ADDRESS, 1) is None and not bus.i2c_write(ADDRESS, b"\x00")
    mem, target = memory(chip)
    assert bus.i2c_read(0x40, 1) is None and bus.i2c_write_read(0x40, b"\x00", 1) is None
    assert bus.i2c_read(ADDRESS, 1) is not None
    # Pins that the firmware took back are no longer the peripheral's.
    chip.gpio.set_mode(20, 0, None)
    assert bus.i2c_read(ADDRESS, 1) is None
    mem, target = memory(chip)
    assert bus.i2c_read(ADDRESS, 1) is not None
    target.deinit()
    assert bus.i2c_read(ADDRESS, 1) is None and chip.gpio.alt[20] == 0
    memory(chip)
    chip.gpio.release_all()
    assert bus.i2c_read(ADDRESS, 1) is None


def check_pins():
    # SDA on even pins, SCL on odd ones, every other pair (ports/rp2)
    chip = Chip()
    for number, sda, scl, text in ((0, 22, 21, "bad SDA pin"), (0, 20, 23, "bad SCL pin"), (1, 20, 21, "bad SCL pin")):
        assert raises(ValueError, chip.I2CTarget, number, ADDRESS, sda=sda, scl=scl) == text
    assert raises(ValueError, chip.I2CTarget, 2, ADDRESS) == "I2CTarget(2) doesn't exist"
    assert raises(TypeError, chip.I2CTarget, 0)
    chip.I2CTarget(1, 0x10, mem=bytearray(1))  # GP6 and GP7 by default
    assert chip.gpio.alt[6] == chip.gpio.alt[7] == 1


seen = [0] * 64
count = [0]


def note(target):
    # In a hard interrupt: nothing is allocated.
    seen[count[0]] = target.irq().flags()
    count[0] += 1


def flags():
    got = seen[: count[0]]
    count[0] = 0
    return got


def check_events_of_a_memory():
    # extmod/machine_i2c_target.c: a write that only sets the address raises no END_WRITE
    chip = Chip()
    bus = chip.targets
    _mem, target = memory(chip)
    kind = chip.I2CTarget
    target.irq(note, trigger=63, hard=True)
    assert bus.i2c_write(ADDRESS, b"\x02xy")
    assert flags() == [kind.IRQ_ADDR_MATCH_WRITE] + 3 * [kind.IRQ_WRITE_REQ] + [kind.IRQ_END_WRITE]
    assert bus.i2c_write(ADDRESS, b"\x02")
    assert flags() == [kind.IRQ_ADDR_MATCH_WRITE, kind.IRQ_WRITE_REQ]
    assert bus.i2c_write_read(ADDRESS, b"\x02", 2) == b"xy"
    # one request a byte, and the one after the last
    assert flags()[:3] == [kind.IRQ_ADDR_MATCH_WRITE, kind.IRQ_WRITE_REQ, kind.IRQ_ADDR_MATCH_READ]
    assert seen[3:7] == 3 * [kind.IRQ_READ_REQ] + [kind.IRQ_END_READ]
    assert bus.i2c_write(ADDRESS, b"")  # somebody looks whether it is there
    assert flags() == [kind.IRQ_ADDR_MATCH_WRITE, kind.IRQ_END_WRITE]
    assert bus.stretched_us > 0 and not chip.failed


def check_triggers():
    chip = Chip()
    _mem, target = memory(chip)
    kind = chip.I2CTarget
    for trigger in (kind.IRQ_ADDR_MATCH_READ, kind.IRQ_ADDR_MATCH_WRITE, kind.IRQ_READ_REQ, kind.IRQ_WRITE_REQ):
        assert raises(ValueError, target.irq, print, trigger) == "hard IRQ required"
    got = []
    target.irq(lambda which: got.append(which.irq().flags()))  # soft, the ends alone: may allocate
    assert target.irq().trigger() == kind.IRQ_END_READ | kind.IRQ_END_WRITE
    chip.targets.i2c_write(ADDRESS, b"\x00abc")
    chip.targets.i2c_read(ADDRESS, 1)
    assert got == [kind.IRQ_END_WRITE, kind.IRQ_END_READ] and not chip.failed


class Register:
    """A part of 16-bit registers whose pointer does not move: what a handler can do."""

    def __init__(self, chip):
        self.pointer = 0
        self.first = True
        self.value = 0x1234
        self.one = bytearray(1)
        self.two = bytearray(2)
        self.target = chip.I2CTarget(0, ADDRESS, sda=20, scl=21)
        self.low = False
        self.irq = self.target.irq(self.handle, trigger=15, hard=True)

    def handle(self, target):
        flags = self.irq.flags()
        if flags & 2:
            self.first = True
        elif flags & 1:
            self.low = False
        elif flags & 8:
            target.readinto(self.one)
            if self.first:
                self.pointer = self.one[0]
                self.first = False
            else:
                self.value = (self.value << 8 | self.one[0]) & 0xFFFF
        else:
            self.one[0] = self.value & 255 if self.low else self.value >> 8
            self.low = not self.low
            target.write(self.one)


def check_handler():
    chip = Chip()
    part = Register(chip)
    bus = chip.targets
    assert bus.i2c_write_read(ADDRESS, b"\x0e", 4) == b"\x12\x34\x12\x34" and part.pointer == 0x0E
    assert bus.i2c_read(ADDRESS, 2) == b"\x12\x34"
    assert bus.i2c_write(ADDRESS, b"\x01\xab\xcd") and (part.pointer, part.value) == (1, 0xABCD)
    assert not chip.failed


def check_without_a_handler():
    chip = Chip()
    chip.I2CTarget(0, ADDRESS, sda=20, scl=21)
    assert chip.targets.i2c_write(ADDRESS, b"abc") and chip.targets.i2c_read(ADDRESS, 3) == b"\x00\x00\x00"


def check_a_handler_that_does_nothing_holds_the_clock():
    chip = Chip()
    target = chip.I2CTarget(0, ADDRESS, sda=20, scl=21)
    target.irq(bool, trigger=12, hard=True)
    assert chip.targets.i2c_read(ADDRESS, 1) is None
    assert chip.targets.i2c_write(ADDRESS, bytes(16)) and not chip.targets.i2c_write(ADDRESS, bytes(17))
    buffer = bytearray(20)
    assert target.readinto(buffer) == 16


def check_a_handler_that_fails_is_printed():
    chip = Chip()
    _mem, target = memory(chip)

    def handle(_target):
        raise ValueError("in the handler")

    target.irq(handle, trigger=2, hard=True)
    assert chip.targets.i2c_write(ADDRESS, b"\x00q")
    assert len(chip.failed) == 1 and not chip.kernel.in_isr


checks(globals())
