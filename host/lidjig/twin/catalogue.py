"""The fault catalogue: every fault that a scenario may name, its parameters, and how it enters the model. Data only."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Parameter:
    """One key of a [[fault]] entry. choices: for words instead of numbers."""

    name: str
    unit: str
    default: float | str
    low: float
    high: float
    doc: str
    choices: tuple[str, ...] = ()


@dataclass(frozen=True)
class FaultKind:
    """One kind of fault. enters: what it changes in the model, and nothing else changes."""

    where: str
    kind: str
    doc: str
    enters: str
    parameters: tuple[Parameter, ...] = ()


_OUTPUT = Parameter("line", "", 0, 0, 2, "which output: 1 or 2; 0 = all")
_LINE = Parameter("line", "", 1, 1, 2, "which line: 1 or 2")
_METER = Parameter("meter", "", 1, 1, 2, "which power monitor: 1 or 2")

FAULTS: tuple[FaultKind, ...] = (
    FaultKind(
        "sensor",
        "dead",
        "the chip draws nothing and its corroded output holds the line low",
        "supply load of the sensor becomes 10 Mohm; each output named becomes a resistor to ground, powered or not",
        (_OUTPUT, Parameter("leak_ohm", "ohm", 150.0, 1.0, 1e6, "from the output to ground")),
    ),
    FaultKind(
        "sensor",
        "stuck-shut",
        "ordinary current, output operated at every angle",
        "the output's state no longer follows the field angle: always operated while powered",
        (_OUTPUT,),
    ),
    FaultKind(
        "sensor",
        "stuck-open",
        "ordinary current, output never operates",
        "the output's state no longer follows the field angle: always released while powered",
        (_OUTPUT,),
    ),
    FaultKind(
        "sensor",
        "intermittent",
        "at random moments an output is in the wrong state for a while",
        "waiting and duration are drawn from exponential distributions; meanwhile the state is inverted",
        (
            _OUTPUT,
            Parameter("rate_per_min", "1/min", 20.0, 0.01, 600.0, "how often it begins"),
            Parameter("duration_ms", "ms", 300.0, 1.0, 60000.0, "mean length"),
        ),
    ),
    FaultKind(
        "sensor",
        "zero-off",
        "a sensor that tells an angle, whose zero was never set: it follows the lid, displaced",
        "its zero stands so much lower: every angle that it tells is so much larger, as far as its range goes",
        (Parameter("offset_deg", "deg", 25.0, -180.0, 180.0, "how much larger"),),
    ),
    FaultKind(
        "sensor",
        "magnet-missing",
        "the magnet has come off the hinge, and a sensor that can tell so does",
        "the angle stays at one of an open lid, and the part tells of it: by status bits and magnitude (I2C, 12 bits), "
        "status bits (SSI), both outputs at their middle (sine and cosine); other formats cannot, and are refused",
    ),
    FaultKind(
        "wiring",
        "line-open",
        "a line is broken between connector and board",
        "the 0.2 ohm wire of that line is taken out of the network; the pull stays on the board's side",
        (_LINE,),
    ),
    FaultKind(
        "wiring",
        "line-short-ground",
        "a line is shorted to ground at the connector",
        "a resistor from the line to ground",
        (_LINE, Parameter("ohm", "ohm", 2.0, 0.1, 1e6, "resistance of the short")),
    ),
    FaultKind(
        "wiring",
        "line-short-supply",
        "a line is shorted to the sensor supply at the connector",
        "a resistor from the line to the supply pin",
        (_LINE, Parameter("ohm", "ohm", 2.0, 0.1, 1e6, "resistance of the short")),
    ),
    FaultKind("wiring", "pull-missing", "the pull resistor of a line is gone", "that resistor is taken out", (_LINE,)),
    FaultKind(
        "wiring",
        "supply-missing",
        "the supply trace to the connector is eaten through",
        "the 0.2 ohm wire of the supply is taken out; pulls stay on the board's own rail",
    ),
    FaultKind(
        "machine", "ignores-lid", "the board does not look at the lid lines", "the lid inputs read as open, always"
    ),
    FaultKind("machine", "no-start", "the board does not start", "the power button does nothing in S5"),
    FaultKind(
        "machine",
        "slow-sleep",
        "it falls asleep, far too late",
        "median, lowest and highest sleep latency are multiplied",
        (Parameter("factor", "", 6.0, 1.0, 100.0, "multiplier of the sleep latency"),),
    ),
    FaultKind("machine", "never-wakes", "it sleeps and does not wake on opening", "an opened lid does nothing in S3"),
    FaultKind(
        "machine",
        "random-miss",
        "now and then a movement of the lid goes unnoticed",
        "each sampled change of the lid is forgotten with the given probability",
        (
            Parameter("probability", "", 0.05, 0.0, 1.0, "per change of the lid"),
            Parameter("on", "", "shut", 0, 0, "which changes", ("shut", "open", "both")),
        ),
    ),
    FaultKind(
        "bus",
        "meter-missing",
        "a power monitor does not answer",
        "nothing acknowledges its address: OSError 5 (EIO) after the address byte",
        (_METER,),
    ),
    FaultKind(
        "bus",
        "meter-drops",
        "a power monitor with a loose contact",
        "each transfer with it is not acknowledged with probability `rate`",
        (
            Parameter("meter", "", 0, 0, 2, "which power monitor: 1 or 2; 0 = all"),
            Parameter("rate", "per transfer", 0.05, 0.0, 1.0, "probability"),
            Parameter("forgets", "", "no", 0, 0, "its registers are then as after power-up", ("no", "yes")),
        ),
    ),
    FaultKind(
        "bus",
        "hung",
        "a part holds a line of the bus low",
        "SDA (or SCL) is low from then on: transfers end with OSError 110 (ETIMEDOUT) after their time-out, the pin "
        "reads 0; SDA is let go at the given falling edge of SCL",
        (
            Parameter("at_s", "s", 5.0, 0.0, 1e6, "from when on"),
            Parameter("clocks", "", 9, 0, 1000, "clocks after which it lets go; 0 = for good"),
            Parameter("holds", "", "sda", 0, 0, "which line; SCL is never let go", ("sda", "scl")),
        ),
    ),
    FaultKind(
        "link",
        "drop",
        "packets vanish",
        "each packet of up to 64 bytes, either way, is left out with probability `rate`",
        (Parameter("rate", "per packet", 0.02, 0.0, 1.0, "probability"),),
    ),
    FaultKind(
        "link",
        "corrupt",
        "bits flip",
        "in each packet of up to 64 bytes, either way, one bit is inverted with probability `rate`",
        (Parameter("rate", "per packet", 0.02, 0.0, 1.0, "probability"),),
    ),
    FaultKind(
        "link",
        "repeat",
        "packets come twice",
        "each packet of up to 64 bytes, either way, is doubled with probability `rate`",
        (Parameter("rate", "per packet", 0.02, 0.0, 1.0, "probability"),),
    ),
    FaultKind(
        "link",
        "split",
        "packets arrive in pieces",
        "each packet from the board is cut at random with probability `rate`; the rest comes with the next read",
        (Parameter("rate", "per packet", 0.2, 0.0, 1.0, "probability"),),
    ),
    FaultKind(
        "link",
        "stall",
        "nothing passes either way for a while; nothing is lost",
        "begins `rate` times a minute of virtual time on average, or at the time given",
        (
            Parameter("rate", "1/min", 2.0, 0.0, 600.0, "stalls per minute of virtual time"),
            Parameter("duration_ms", "ms", 400.0, 1.0, 60000.0, "length"),
            Parameter("at_s", "s", -1.0, -1.0, 1e6, "one stall at this time instead of random ones; -1 = random"),
        ),
    ),
    FaultKind(
        "link",
        "reset",
        "the board loses its supply for a moment and starts again",
        "`rate` times a minute of virtual time on average, or at the time given; the link is lost until reopened",
        (
            Parameter("rate", "1/min", 0.5, 0.0, 60.0, "resets per minute of virtual time"),
            Parameter("at_s", "s", -1.0, -1.0, 1e6, "one reset at this time instead of random ones; -1 = random"),
        ),
    ),
)

WHERE = ("sensor", "wiring", "machine", "bus", "link")
WHOLE = ("line", "meter", "clocks")  # parameters that are whole numbers


def kinds(where: str) -> list[str]:
    """Names of the fault kinds of one part, in the order of the catalogue."""
    return [fault.kind for fault in FAULTS if fault.where == where]


def find(where: str, kind: str) -> FaultKind | None:
    """The row, or None."""
    return next((fault for fault in FAULTS if fault.where == where and fault.kind == kind), None)


def _keys(fault: FaultKind) -> str:
    words = []
    for parameter in fault.parameters:
        default = f'"{parameter.default}"' if isinstance(parameter.default, str) else f"{parameter.default:g}"
        accepted = ", ".join(parameter.choices) or f"{parameter.low:g}..{parameter.high:g}"
        unit = f" {parameter.unit}" if parameter.unit else ""
        words.append(f"`{parameter.name}` = {default}{unit} ({accepted}): {parameter.doc}")
    return "; ".join(words) or "-"


def as_markdown() -> str:
    """The catalogue as the tables in SCENARIOS.md; a test says when they differ."""
    out = ""
    for where in WHERE:
        out += f'\n### where = "{where}"\n\n| kind | what it is | how it enters | keys |\n|---|---|---|---|\n'
        for fault in FAULTS:
            if fault.where == where:
                out += f"| `{fault.kind}` | {fault.doc} | {fault.enters} | {_keys(fault)} |\n"
    return out
