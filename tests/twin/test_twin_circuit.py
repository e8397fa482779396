"""Nodal analysis against circuits worked by hand, and against Kirchhoff's current law on random ones."""

from __future__ import annotations

import subprocess
from pathlib import Path

import lidjig.twin
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lidjig.twin.vm.circuit import GROUND, Circuit

VM = Path(lidjig.twin.__file__).parent / "vm"
STIFF_OHM = 1e-6


def test_divider() -> None:
    circuit = Circuit(2)
    circuit.source(0, 10.0, STIFF_OHM)
    circuit.resistor(0, 1, 1000.0)
    circuit.resistor(1, GROUND, 2000.0)
    # Voltage divider, U R2 / (R1 + R2) = 10 V * 2/3: any textbook of circuit theory
    assert circuit.voltages()[1] == pytest.approx(20.0 / 3.0, rel=1e-6)


def test_loaded_divider_by_thevenin() -> None:
    circuit = Circuit(2)
    circuit.source(0, 12.0, STIFF_OHM)
    circuit.resistor(0, 1, 3000.0)
    circuit.resistor(1, GROUND, 6000.0)
    circuit.resistor(1, GROUND, 4000.0)
    # Thevenin by hand: 8 V behind 2 kohm into 4 kohm gives 16/3 V
    assert circuit.voltages()[1] == pytest.approx(16.0 / 3.0, rel=1e-6)


def test_balanced_wheatstone_bridge_carries_no_current() -> None:
    circuit = Circuit(3)
    circuit.source(0, 5.0, STIFF_OHM)
    for a, b, ohm in ((0, 1, 100.0), (1, GROUND, 200.0), (0, 2, 150.0), (2, GROUND, 300.0), (1, 2, 50.0)):
        circuit.resistor(a, b, ohm)
    volts = circuit.voltages()
    # Wheatstone's condition R1/R2 = R3/R4: the detector sees nothing, whatever its resistance
    assert volts[1] == pytest.approx(volts[2], abs=1e-6)
    assert volts[1] == pytest.approx(10.0 / 3.0, rel=1e-6)


def test_unbalanced_wheatstone_bridge_with_detector() -> None:
    circuit = Circuit(3)
    circuit.source(0, 10.0, STIFF_OHM)
    for a, b, ohm in ((0, 1, 100.0), (1, GROUND, 100.0), (0, 2, 100.0), (2, GROUND, 110.0), (1, 2, 1000.0)):
        circuit.resistor(a, b, ohm)
    volts = circuit.voltages()
    # By hand: open bridge 10 V (110/210 - 1/2) = 0.238095 V behind 50 + 100*110/210 = 102.381 ohm, into 1000 ohm
    assert volts[2] - volts[1] == pytest.approx(0.2380952 * 1000.0 / 1102.381, rel=1e-5)


def test_current_source_and_floating_node() -> None:
    circuit = Circuit(2)
    circuit.current(0, 0.002)
    circuit.resistor(0, GROUND, 1500.0)
    # Ohm's law; a node with nothing on it rests at 0 V
    assert circuit.voltages() == pytest.approx([3.0, 0.0])


NETWORKS = st.lists(
    st.tuples(st.integers(-1, 4), st.integers(-1, 4), st.floats(0.1, 1e7)).filter(lambda b: b[0] != b[1]),
    min_size=1,
    max_size=15,
)


@settings(max_examples=100, deadline=None)
@given(NETWORKS, st.floats(-20.0, 20.0), st.floats(0.1, 1e4))
def test_currents_into_every_node_sum_to_nothing(
    branches: list[tuple[int, int, float]], volt: float, ohm: float
) -> None:
    circuit = Circuit(5)
    circuit.source(0, volt, ohm)
    for a, b, r in branches:
        circuit.resistor(a, b, r)
    volts = [*circuit.voltages(), 0.0]  # index -1 is ground
    for node in range(5):
        into = (volt - volts[0]) / ohm if node == 0 else 0.0
        scale = abs(into)
        for a, b, r in branches:
            if node in (a, b):
                other = b if node == a else a
                into += (volts[other] - volts[node]) / r
                scale = max(scale, abs(volts[other]) / r, abs(volts[node]) / r)
        # Kirchhoff's current law
        assert abs(into) <= 1e-9 * max(scale, 1.0)
        assert abs(volts[node]) <= abs(volt) + 1e-9  # no node above the only source


SCRIPT = """
import sys
sys.path.insert(0, sys.argv[1])
from circuit import Circuit, GROUND
from rng import Rng, exp_micro
r = Rng(5, 'a')
c = Circuit(9)
c.source(0, 33 / 10, 1 / 2)
for k in range(40):
    a, b = r.below(9), r.below(10) - 1
    if a != b:
        c.resistor(a, b, 1 + r.below(1000000))
print([int(v * 1000000000000) for v in c.voltages()])
print([r.lognormal(900000, 120) for _ in range(20)], [r.exponential(1000000) for _ in range(20)])
print([int(exp_micro(x * 100000) * 1000000000000) for x in range(-20, 20)])
"""


def test_both_interpreters_compute_the_same_digits(micropython: str, tmp_path: Path) -> None:
    import sys

    script = tmp_path / "digits.py"
    script.write_text(SCRIPT, encoding="ascii")
    answers = [
        subprocess.run([vm, str(script), str(VM)], capture_output=True, check=True, timeout=20).stdout.split()
        for vm in (micropython, sys.executable)
    ]
    assert answers[0] == answers[1]
    assert len(answers[0]) > 80


def test_random_numbers_have_the_distribution_they_claim() -> None:
    import math
    import statistics

    from lidjig.twin.vm.rng import Rng, exp_micro

    rng = Rng(1, "test")
    normal = [rng.gauss_milli() / 1000.0 for _ in range(20000)]
    # standard error of the mean 0.007, of the standard deviation 0.005
    assert abs(statistics.fmean(normal)) < 0.03
    assert abs(statistics.stdev(normal) - 1.0) < 0.02
    waits = [rng.exponential(1_000_000) for _ in range(20000)]
    # exponential distribution: mean = standard deviation = the parameter, median = ln 2 times it
    assert statistics.fmean(waits) == pytest.approx(1e6, rel=0.03)
    assert statistics.stdev(waits) == pytest.approx(1e6, rel=0.04)
    assert statistics.median(waits) == pytest.approx(math.log(2.0) * 1e6, rel=0.04)
    latencies = [rng.lognormal(900_000, 120) for _ in range(20000)]
    # lognormal distribution: median = the parameter, standard deviation of the logarithm = sigma
    assert statistics.median(latencies) == pytest.approx(900_000, rel=0.005)
    assert statistics.stdev(map(math.log, latencies)) == pytest.approx(0.12, rel=0.03)
    for x in (-3.0, -0.5, 0.0, 0.7, 2.5):
        assert exp_micro(round(x * 1e6)) == pytest.approx(math.exp(x), rel=1e-9)
