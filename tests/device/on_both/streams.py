"""What the viper functions of the tick give, against plain Python (fake_plain.py), number by number, over sweeps."""

import fake_board
import fake_plain
from fake_board import bench

ERROR = fake_plain.ERROR
OFFSET, LAG, LAG_SHIFT, TABLE = 1 << 28, 8, 9, 18  # places in the numbers that a curve has


class Numbers:
    """The same numbers in every run: x' = 205 x + 29573 modulo 139968 (Numerical Recipes, 2nd ed., 7.1)."""

    def __init__(self):
        self.seed = 1

    def below(self, limit):
        self.seed = (self.seed * 205 + 29573) % 139968
        return self.seed * limit // 139968

    def one_of(self, *choices):
        return choices[self.below(len(choices))]


class Machine:
    """Takes words, and has as many waiting as it is told."""

    def __init__(self):
        self.words, self.waiting = [], 0

    def tx_fifo(self):
        return self.waiting

    def put(self, word):
        self.words.append(word)


def angles(numbers, count):
    """Sweeps up and down, jumps, and stretches at rest."""
    found = []
    at = 0
    while len(found) < count:
        kind = numbers.below(4)
        step = (0, 37 + numbers.below(4000), -37 - numbers.below(4000), 0)[kind]
        if kind == 3:
            at = numbers.one_of(0, 360000, numbers.below(360001))
        for _ in range(1 + numbers.below(60)):
            at = min(max(at + step, 0), 360000)
            found.append(at)
    return found


def lowest(family, **changes):
    """A record of a family with every field at its lowest but those given."""
    from shared_proto import family_blobs

    values = {row[0]: row[2] for row in family_blobs.fields(family)}
    values["span_mdeg"] = 360000
    for name in values:
        if name.startswith("error_"):
            values[name] = 0
    values.update(changes)
    return values


def any_curve(numbers):
    from shared_proto import family_blobs

    wrap = numbers.below(2)
    span = 360000 if wrap else numbers.one_of(18000, 90000, 360000)
    values = {
        "wrap": wrap,
        "span_mdeg": span,
        "zero_mdeg": numbers.below(360000 if wrap else 360001 - span),
        "down": numbers.below(2),
        "hysteresis_mdeg": numbers.one_of(0, 0, 150, 2500, 10000),
        "lag_us": numbers.one_of(0, 0, 900, 20000, 700000),
        "update_us": numbers.one_of(1000, 2000, 3700),
        "noise_mdeg": numbers.one_of(0, 0, 40, 5000),
        "codes": numbers.one_of(2, 4088, 16384, 65536),
        "below": numbers.below(4),
        "above": numbers.below(4),
    }
    for k in range(family_blobs.ERRORS):
        values[f"error_{k}_mdeg"] = numbers.one_of(0, numbers.below(4000) - 2000)
    return lowest(family_blobs.ANALOG, **values)


def check_curves(_folder):
    from firmware.curve import Curve

    numbers = Numbers()
    words, count = set(), 0
    for _ in range(120):
        values = any_curve(numbers)
        curve = Curve(values)
        put, plain_put = [], []
        taken = [1] * 5 + [0]
        table = [entry - OFFSET for entry in curve._state[TABLE:]]

        def take(code, put=put, taken=taken):
            put.append(code)
            return taken[len(put) % 6]

        def take_plain(code, put=plain_put, taken=taken):
            put.append(code)
            return taken[len(put) % 6]

        curve.put = take
        plain = fake_plain.Look(values, table, curve._state[LAG], curve._state[LAG_SHIFT], take_plain)
        for k, angle in enumerate(angles(numbers, 400)):
            driving = 1 if k % 50 else 0
            assert curve.follow(angle, driving) == plain.follow(angle, driving), (values, k, angle)
        assert put == plain_put, values
        words.update(code for code in put if code < 0)
        count += len(put)
    assert words == {-1, -2, -3} and count > 5000, (words, count)


def check_motion(_folder):
    from boards import Board
    from firmware.motion import Motion
    from firmware.ring import Ring

    board = Board()
    motion = Motion(board, Ring(64))
    for begin, target in ((0, 360000), (360000, 0), (179999, 180000), (110000, 0)):
        for duration_ms in (1, 7, 400, 1048, 1049, 4194, 250000):
            for shape in (0, 1):
                motion.reset(begin)
                motion.add(target, duration_ms, shape)
                motion.step(0)
                plain = fake_plain.Step(begin, target, duration_ms * 1000, shape, board.ticks_diff)
                for n in range(1, 300):
                    now = duration_ms * 1000 * n // 300
                    assert motion.step(now) == plain.step(now) == 0
                    assert motion.angle_mdeg == plain.angle_mdeg, (begin, target, duration_ms, shape, n)


def follows(output, plain, machine, plain_machine, codes):
    """Both are given the same codes, while more or fewer words wait."""
    for k, code in enumerate(codes):
        machine.waiting = plain_machine.waiting = (0, 0, 1, 0, 4, 3, 8)[k % 7]
        assert output.put(code) == plain.put(code), (k, code)
    assert machine.words == plain_machine.words and len(machine.words) > len(codes) // 3


def begun(output, machine):
    """A family after its first code, with its words going to a machine that writes them down."""
    output.ready()
    output.put(0)
    output._waiting, output._give = machine.tx_fifo, machine.put
    return output


def check_sent(_folder):
    from boards import Board
    from firmware.families.sent import Output

    from shared_proto import family_blobs

    numbers = Numbers()
    for form in range(1, 8):
        for legacy in (0, 1):
            for status in (0, 5):
                codes = {1: 4088, 2: 4088, 3: 4088, 4: 4088, 5: 4088, 6: 16384, 7: 65536}[form]
                values = lowest(
                    family_blobs.SENT, frame_format=form, legacy_crc=legacy, status=status, codes=codes, low_ticks=5
                )
                machine, plain_machine = Machine(), Machine()
                output = begun(Output(Board(), values), machine)
                plain = fake_plain.Sent(values, plain_machine)
                given = [numbers.below(codes) for _ in range(300)] + [0, codes - 1, ERROR, 1]
                follows(output, plain, machine, plain_machine, given)


def check_ssi(_folder):
    from boards import Board
    from firmware.families.ssi import Output

    from shared_proto import family_blobs

    numbers = Numbers()
    for status in (0, 6):
        values = lowest(family_blobs.SSI, status=status, codes=16384)
        machine, plain_machine = Machine(), Machine()
        output = begun(Output(Board(), values), machine)
        given = [numbers.below(16384) for _ in range(500)] + [0, ERROR, 16383, ERROR]
        follows(output, fake_plain.Ssi(values, plain_machine), machine, plain_machine, given)


def check_pwm(_folder):
    from boards import Board
    from firmware.families.pwm import Output

    from shared_proto import family_blobs

    numbers = Numbers()
    for push_pull in (0, 1):
        for active_high in (0, 1):
            values = lowest(
                family_blobs.PWM, push_pull=push_pull, active_high=active_high, codes=4096, head_clocks=128,
                tail_clocks=128, period_ns=1000000,
            )  # fmt: skip
            machine, plain_machine = Machine(), Machine()
            output = begun(Output(Board(), values), machine)
            given = [numbers.below(4096) for _ in range(300)] + [0, 4095]
            follows(output, fake_plain.Pwm(values, plain_machine), machine, plain_machine, given)


def check_quadrature(_folder):
    from boards import Board
    from firmware.families.quadrature import Output

    from shared_proto import family_blobs

    numbers = Numbers()
    for codes in (4, 1024, 65536):
        for b_leads in (0, 1):
            for wide in (1, 4):
                values = lowest(
                    family_blobs.QUADRATURE, codes=codes, steps_per_turn=codes, index_quarters=wide, b_leads=b_leads,
                    rate_max_hz=100000,
                )  # fmt: skip
                machine, plain_machine = Machine(), Machine()
                board = Board()
                output = begun(Output(board, values), machine)
                plain = fake_plain.Quadrature(values, plain_machine, 0)
                at = 0
                given = []
                for _ in range(400):
                    at = (at + numbers.one_of(0, 1, -1, numbers.below(40) - 20, numbers.below(codes))) % codes
                    given += [at] * numbers.one_of(1, 1, 3)
                follows(output, plain, machine, plain_machine, given)
                bench.reset()


def check_registers(_folder):
    from boards import Board
    from firmware.families.i2c import Output

    from shared_proto import family_blobs

    for layout, codes in ((0, 4096), (1, 16384)):
        values = lowest(family_blobs.I2C, layout=layout, codes=codes, wrap=1, raw_angle=1)
        output, plain = Output(Board(), values), fake_plain.Registers(values)
        for code in range(0, codes, 7):
            output._tell(code)
            plain.put(code)
            assert output._map._now == plain.map.now, (layout, code)
        assert layout or output._map._plain


def check_sincos(_folder):
    from boards import Board
    from firmware.families.sincos import Output

    from shared_proto import family_blobs

    for codes in (4096, 65536):
        values = lowest(
            family_blobs.SINCOS, codes=codes, amplitude_permyriad=3300, offset_sin_permyriad=5000,
            offset_cos_permyriad=4800, cos_gain_permyriad=10300, phase_mdeg=-4000, pwm_hz=50000,
        )  # fmt: skip
        output = Output(Board(), values)
        given, plain_given = [], []
        output._give_sin = output._give_cos = lambda count, given=given: given.append(count) or 1

        def put(count, given=plain_given):
            given.append(count)
            return 1

        sin_table, cos_table = output._state[1:514], output._state[514:1027]
        plain = fake_plain.Sincos(values, sin_table, cos_table, put, put)
        for code in range(0, codes, 5):
            assert output.put(code) == plain.put(code) == 1
        assert given == plain_given and len(given) > 1000


fake_board.checks(globals())
