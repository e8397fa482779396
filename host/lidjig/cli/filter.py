"""lidjig filter: R and C that make an analog output of pulse width modulation."""

from __future__ import annotations

import json
import math
import sys
from typing import TYPE_CHECKING, Annotated, Any

import typer

from lidjig.cli.options import GlobalOptions
from lidjig.errors import BadInput

if TYPE_CHECKING:
    from lidjig.measure.rc_design import Ask, Design, Possible, Shelf

# Option: least, most, unit. The counter of an rp2 board has 16 bits and a divider of up to 256: at 125 MHz its slowest
# period is 134 ms, and the shortest that has two steps 16 ns.
RANGES = {
    "--pwm-hz": (10.0, 62.5e6, "Hz"),
    "--bits": (1, 16, ""),
    "--settle-ms": (0.001, 1e6, "ms"),
    "--poles": (1, 2, ""),
    "--source-ohm": (0.0, 1e5, "ohm"),
    "--load-ohm": (1.0, 1e9, "ohm"),
    "--ripple-lsb": (0.01, 1.0, "LSB"),
}
# One decade of series E24; every second one of them is E12 (IEC 60063; values from memory).
_E24 = (10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91)
E24 = tuple(value / 10 for value in _E24)
R_OHM = (1e3, 1e5)  # below: the driver's own resistance tells; above: leakage does (common practice, no source)
C_FARAD = (1e-10, 1e-5)  # below: cable and converter tell; above: electrolytic ones, which leak (the same)


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command("filter", epilog="Takes --json, before or after the command.")
    def filter_command(
        context: typer.Context,
        pwm_hz: Annotated[float, typer.Option(help="Frequency of the pulse width modulation.", metavar="F")],
        bits: Annotated[int, typer.Option(help="Resolution of the output, 1 to 16.", metavar="N")],
        settle_ms: Annotated[
            float, typer.Option(help="A step over the whole range is within half an LSB by then.", metavar="T")
        ],
        poles: Annotated[int | None, typer.Option(help="RC stages, 1 or 2; else both are tried.", metavar="P")] = None,
        source_ohm: Annotated[
            float | None, typer.Option(help="What drives the filter; else 245, the jig's line driver.", metavar="R")
        ] = None,
        load_ohm: Annotated[
            float | None, typer.Option(help="From the output to ground; else none.", metavar="R")
        ] = None,
        ripple_lsb: Annotated[float, typer.Option(help="Ripple allowed, peak to peak, in LSB.", metavar="X")] = 0.5,
    ) -> int:
        """Find R and C of a filter that turns pulse width modulation into an analog output, or say why none does."""
        from lidjig.measure.rc_design import POLES, SOURCE_OHM, Ask, design

        given = (pwm_hz, bits, settle_ms, poles, source_ohm, load_ohm, ripple_lsb)
        for key, value in zip(RANGES, given, strict=True):
            _check(key, value)
        source = SOURCE_OHM if source_ohm is None else source_ohm
        load = math.inf if load_ohm is None else load_ohm
        ask = Ask(pwm_hz, bits, settle_ms / 1e3, source, load, ripple_lsb)
        shelf = standard_values()
        designs = [design(ask, count, shelf) for count in (POLES if poles is None else (poles,))]
        if all(found.chosen is None for found in designs):
            raise _impossible(ask, designs)
        options: GlobalOptions = context.obj
        if options.json:
            sys.stdout.write(json.dumps(_as_json(ask, designs), indent=2, allow_nan=False) + "\n")
        else:
            sys.stdout.write("".join(f"{line}\n" for line in _lines(ask, designs, shelf)))
        return 0


def standard_values() -> Shelf:
    """Resistors of series E24 (1 %) and capacitors of E12 (10 %) that a filter can be made of (IEC 60063)."""
    from lidjig.measure.rc_design import Shelf

    return Shelf(_series(E24, R_OHM), _series(E24[::2], C_FARAD))


def _series(decade: tuple[float, ...], bounds: tuple[float, float]) -> tuple[float, ...]:
    """The values of a series within bounds, ascending; three digits are all that a value has."""
    powers = range(math.floor(math.log10(bounds[0])), math.ceil(math.log10(bounds[1])) + 1)
    values = (float(f"{value:.3g}e{power}") for power in powers for value in decade)
    slack = 1e-9  # a bound that is a value of the series belongs to it
    return tuple(v for v in values if bounds[0] * (1 - slack) <= v <= bounds[1] * (1 + slack))


def _check(key: str, value: float | None) -> None:
    least, most, unit = RANGES[key]
    if value is not None and not least <= value <= most:
        raise BadInput("", key, value, f"{least:.12g} to {most:.12g} {unit}".rstrip())


def _impossible(ask: Ask, designs: list[Design]) -> BadInput:
    told = []
    for found in designs:
        instead = _instead(found.possible)
        told.append(f"with {_poles(found.poles)} {instead or 'nothing near it'} ({found.why})")
    # The frequency alone is to blame where the counter lacks the steps.
    key, value = ("--pwm-hz", ask.pwm_hz) if ask.pwm_hz > ask.pwm_max_hz else ("--settle-ms", ask.settle_s * 1e3)
    asked = f"{ask.bits} bits at {ask.pwm_hz:.6g} Hz in {ask.settle_s * 1e3:.6g} ms: "
    return BadInput("", key, value, asked + "; ".join(told), "Repeat the command with one of these.")


def _instead(possible: Possible | None) -> str:
    """What would be possible, rounded to the side that holds; "" for nothing."""
    if possible is None:
        return ""
    ways = []
    if possible.settle_s_min is not None:
        ways.append(f"--settle-ms {_up(possible.settle_s_min * 1e3)} or more")
    if possible.bits_max is not None:
        ways.append(f"--bits {possible.bits_max} or fewer" if possible.bits_max > 1 else "--bits 1")
    if possible.pwm_hz_min is not None and float(_up(possible.pwm_hz_min)) <= possible.pwm_hz_max:
        ways.append(f"--pwm-hz {_up(possible.pwm_hz_min)} to {possible.pwm_hz_max:.0f}")
    if possible.fastest_settle_s is not None:
        settle_ms = _up(possible.fastest_settle_s * 1e3)
        ways.append(f"--pwm-hz {possible.pwm_hz_max:.0f} and --settle-ms {settle_ms} or more")
    return ", or ".join(ways)


def _up(value: float) -> str:
    """Rounded up to four digits, without an exponent for what the options take."""
    step = 10.0 ** (math.floor(math.log10(value)) - 3)
    return f"{math.ceil(value / step) * step:.10f}".rstrip("0").rstrip(".")


def _lines(ask: Ask, designs: list[Design], shelf: Shelf) -> list[str]:
    from lidjig.measure.rc_design import recommended

    load = "no load" if math.isinf(ask.load_ohm) else f"load {_ohm(ask.load_ohm)}"
    lines = [
        f"{ask.bits} bits from {ask.pwm_hz:.6g} Hz: 1 LSB = {100.0 * 0.5**ask.bits:.3g} % of the range; "
        f"source {_ohm(ask.source_ohm)}, {load}"
    ]
    best = recommended(designs)
    for found in designs:
        lines += ["", *_design_lines(ask, found, shelf, found is best and len(designs) > 1)]
    return lines


def _design_lines(ask: Ask, found: Design, shelf: Shelf, best: bool) -> list[str]:
    window, chosen = found.window, found.chosen
    exact = (
        f"  exact, with R {_ohm(window.r_ohm)}: C at least {_farad(window.ripple_c_f)} (ripple), "
        f"at most {_farad(window.settle_c_f)} (settling)"
    )
    if chosen is None:
        instead = _instead(found.possible)
        lines = [f"{_poles(found.poles)}: not possible, {found.why}", exact]
        return lines + ([f"  possible: {instead}"] if instead else [])
    each = ", in each stage" if found.poles > 1 else ""
    take = " (take this one)" if best else ""
    worst = f"R {100.0 * shelf.r_part:g} %, C {100.0 * shelf.c_part:g} %"
    nominal, at_worst = chosen.nominal, chosen.worst
    lines = [
        f"{_poles(found.poles)}: R {_ohm(chosen.r_ohm)}, C {_farad(chosen.c_f)}{each}{take}",
        f"  ripple, peak to peak: {nominal.ripple_lsb:.3g} LSB, with {worst} up to {at_worst.ripple_lsb:.3g} LSB"
        f" [limit at most {ask.ripple_lsb:g}]",
        f"  settling to half an LSB: {nominal.settle_s * 1e3:.3g} ms, with {worst} up to"
        f" {at_worst.settle_s * 1e3:.3g} ms [limit at most {ask.settle_s * 1e3:.6g}]",
        f"  cut-off (3 dB) {chosen.cutoff_hz:.3g} Hz, output resistance {_ohm(chosen.output_ohm)}",
        exact,
    ]
    if chosen.gain < 1.0:
        left = f"{100.0 * chosen.gain:.3g} %"
        lines.append(f"  the load leaves {left} of the range; an amplifier before it keeps the whole")
    if not chosen.holds_worst:
        lines.append("  NOTE: holds with the values as printed, not with the worst tolerances: measure the parts first")
        instead = _instead(found.possible)
        lines += [f"  with tolerances: {instead}"] if instead else []
    return lines


def _as_json(ask: Ask, designs: list[Design]) -> dict[str, Any]:
    from dataclasses import asdict

    from lidjig.measure.rc_design import recommended

    best = recommended(designs)
    asked = asdict(ask) | {"load_ohm": None if math.isinf(ask.load_ohm) else ask.load_ohm}
    rows = [asdict(found) for found in designs]
    return {"command": "filter", "ask": asked, "take_poles": best.poles if best else None, "designs": rows}


def _poles(count: int) -> str:
    return f"{count} pole{'s' if count > 1 else ''}"


def _ohm(ohm: float) -> str:
    for scale, unit in ((1e6, "Mohm"), (1e3, "kohm")):
        if ohm >= scale:
            return f"{ohm / scale:.4g} {unit}"
    return f"{ohm:.4g} ohm"


def _farad(farad: float) -> str:
    for scale, unit in ((1e-6, "uF"), (1e-9, "nF")):
        if farad >= scale:
            return f"{farad / scale:.3g} {unit}"
    return f"{farad / 1e-12:.3g} pF"
