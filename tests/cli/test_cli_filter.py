"""lidjig filter: parts for an analog output, and what is said where none do it."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Callable
from typing import Any

import pytest
from lidjig.cli.filter import standard_values

ASK = ("--pwm-hz", "20000", "--bits", "10", "--settle-ms", "50")
# IEC 60063, series E12 and E24: values from memory.
E12 = (1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2)
E24 = (*E12, 1.1, 1.3, 1.6, 2.0, 2.4, 3.0, 3.6, 4.3, 5.1, 6.2, 7.5, 9.1)


def test_values_are_those_of_the_standard() -> None:
    shelf = standard_values()
    assert shelf.resistors == (*(round(v * 10**n) for n in (3, 4) for v in sorted(E24)), 100_000)
    wanted = [v * 10**n for n in range(-10, -5) for v in E12] + [1e-5]
    assert shelf.capacitors == pytest.approx(wanted, rel=1e-12)
    assert (shelf.r_part, shelf.c_part) == (0.01, 0.10)


def test_parts_for_an_output(run: Callable[..., Any]) -> None:
    ran = run("filter", *ASK)
    assert ran.status == 0 and not ran.err
    first, *rest = ran.out.splitlines()
    assert first == "10 bits from 20000 Hz: 1 LSB = 0.0977 % of the range; source 245 ohm, no load"
    text = "\n".join(rest)
    assert "1 pole: not possible, the ripple asks for a time constant 3.9 times as long as the settling allows" in text
    assert "2 poles: R 4.3 kohm, C 220 nF, in each stage (take this one)" in text
    for part in ("[limit at most 0.5]", "[limit at most 50]", "R 1 %, C 10 %", "output resistance 8.845 kohm"):
        assert part in text


def test_the_same_as_data(run: Callable[..., Any]) -> None:
    found = run("filter", *ASK, "--json").json
    assert set(found) == {"command", "ask", "take_poles", "designs"}
    assert (found["command"], found["take_poles"]) == ("filter", 2)
    assert found["ask"]["source_ohm"] == 245.0 and found["ask"]["load_ohm"] is None
    one, two = found["designs"]
    assert one["chosen"] is None and one["possible"]["bits_max"] == 8
    assert one["window"]["ripple_c_f"] > one["window"]["settle_c_f"]
    chosen = two["chosen"]
    assert two["window"]["ripple_c_f"] < chosen["c_f"] < two["window"]["settle_c_f"]
    assert chosen["nominal"]["ripple_lsb"] < chosen["worst"]["ripple_lsb"] <= 0.5
    assert chosen["nominal"]["settle_s"] < chosen["worst"]["settle_s"] <= 0.05


def test_one_number_of_poles_only(run: Callable[..., Any]) -> None:
    ran = run("filter", *ASK, "--poles", "2")
    assert ran.status == 0 and "1 pole:" not in ran.out and "take this one" not in ran.out
    assert run("filter", *ASK, "--poles", "1").status == 2


def test_source_and_load_change_the_parts(run: Callable[..., Any]) -> None:
    free = run("filter", *ASK, "--poles", "2", "--json").json["designs"][0]["chosen"]
    loaded = run("filter", *ASK, "--poles", "2", "--load-ohm", "50000", "--json").json["designs"][0]["chosen"]
    assert loaded["r_ohm"] < free["r_ohm"] and loaded["gain"] < 1.0
    told = run("filter", *ASK, "--load-ohm", "50000", "--source-ohm", "0").out
    assert "source 0 ohm, load 50 kohm" in told and "% of the range; an amplifier before it" in told


def test_the_circuit_cellar_example(run: Callable[..., Any]) -> None:
    # Circuit Cellar, "PWM DAC ripple reduction": 8 bit at 10 kHz, ripple V / 256: tau = 64 T = 6.4 ms. Half an LSB
    # takes tau ln 512 = 39.9 ms; with E24 and E12 and their tolerances more.
    words = ("filter", "--pwm-hz", "10000", "--bits", "8", "--poles", "1", "--source-ohm", "0", "--ripple-lsb", "1")
    assert run(*words, "--settle-ms", "39.8").status == 2
    found = run(*words, "--settle-ms", "60", "--json").json["designs"][0]
    assert found["window"]["r_ohm"] * found["window"]["ripple_c_f"] == pytest.approx(6.4e-3, rel=1e-3)
    assert found["chosen"]["r_ohm"] * found["chosen"]["c_f"] > 6.4e-3


@pytest.mark.parametrize(
    "asked",
    [
        {"--pwm-hz": "20000", "--bits": "12", "--settle-ms": "5"},
        {"--pwm-hz": "20000", "--bits": "10", "--settle-ms": "5", "--poles": "1"},
        {"--pwm-hz": "1e6", "--bits": "12", "--settle-ms": "100"},
        {"--pwm-hz": "100", "--bits": "16", "--settle-ms": "1"},
    ],
)
def test_an_impossible_ask_says_what_would_be_and_that_is(asked: dict[str, str], run: Callable[..., Any]) -> None:
    ran = run("filter", *(word for pair in asked.items() for word in pair), "--json")
    error = ran.json["error"]
    assert ran.status == 2 and error["next"] == "Repeat the command with one of these."
    assert re.match(r"--(settle-ms|pwm-hz) = [\d.]+ is not usable\. Accepted: ", error["text"])
    assert "the ripple asks for a time constant" in error["text"] or "steps a period" in error["text"]
    ways = 0
    for poles, told in re.findall(r"with (\d) poles? (.*?) \(", error["text"]):
        for way in told.split(", or "):
            instead = dict(re.findall(r"(--[a-z-]+) ([\d.]+)", way))
            words = asked | {"--poles": poles} | instead
            again = run("filter", *(word for pair in words.items() for word in pair), "--json")
            if instead:
                assert again.status == 0 and again.json["designs"][0]["chosen"]["holds_worst"], way
                ways += 1
    assert ways >= 2


def test_the_boards_counter_is_told_apart_from_the_filter(run: Callable[..., Any]) -> None:
    ran = run("filter", "--pwm-hz", "1e6", "--bits", "12", "--settle-ms", "100")
    assert ran.status == 2 and ran.err.startswith("lidjig: --pwm-hz = 1000000.0 is not usable.")
    assert "the board's clock of 125 MHz makes 125 steps a period, of 4096 needed" in ran.err


def test_parts_that_have_to_be_measured_first(run: Callable[..., Any]) -> None:
    """24.06 ms is what tolerances take; a little less is possible with the values as printed."""
    ran = run("filter", "--pwm-hz", "20000", "--bits", "12", "--settle-ms", "22.5", "--poles", "2")
    assert ran.status == 0
    assert "NOTE: holds with the values as printed, not with the worst tolerances" in ran.out
    assert "with tolerances: --settle-ms 24.06 or more" in ran.out


@pytest.mark.parametrize(
    ("key", "value", "accepted"),
    [
        ("--pwm-hz", "5", "10 to 62500000 Hz"),
        ("--pwm-hz", "nan", "10 to 62500000 Hz"),
        ("--pwm-hz", "inf", "10 to 62500000 Hz"),
        ("--bits", "0", "1 to 16"),
        ("--bits", "17", "1 to 16"),
        ("--settle-ms", "-3", "0.001 to 1000000 ms"),
        ("--settle-ms", "0", "0.001 to 1000000 ms"),
        ("--poles", "3", "1 to 2"),
        ("--source-ohm", "-1", "0 to 100000 ohm"),
        ("--load-ohm", "0", "1 to 1000000000 ohm"),
        ("--ripple-lsb", "2", "0.01 to 1 LSB"),
    ],
)
def test_what_no_filter_has_is_refused(key: str, value: str, accepted: str, run: Callable[..., Any]) -> None:
    ran = run("filter", *ASK, key, value, "--json")
    assert ran.status == 2
    text = ran.json["error"]["text"]
    assert text.startswith(f"{key} = ") and text.endswith(f"Accepted: {accepted}.") and ran.json["error"]["next"]


@pytest.mark.parametrize("left_out", ["--pwm-hz", "--bits", "--settle-ms"])
def test_what_is_missing_is_named(left_out: str, run: Callable[..., Any]) -> None:
    at = ASK.index(left_out)
    ran = run("filter", *ASK[:at], *ASK[at + 2 :], "--json")
    assert ran.status == 2 and left_out in ran.json["error"]["text"] and "--help" in ran.json["error"]["next"]


def test_words_for_numbers_are_refused(run: Callable[..., Any]) -> None:
    ran = run("filter", *ASK[:-1], "soon")
    assert ran.status == 2 and "--settle-ms" in ran.err and "Traceback" not in ran.err


def test_starting_up_does_not_load_it() -> None:
    """What only this command needs is imported by it."""
    code = "import sys, lidjig.cli.main; print([m for m in ('numpy', 'lidjig.measure') if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=30)
    assert done.stdout.strip() == "[]"
