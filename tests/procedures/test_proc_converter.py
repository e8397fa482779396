"""The converter's published flaws through the whole chain: what is measured holds the truth in its interval."""

from __future__ import annotations

import pytest
from lidjig.measure import adc

from tests.procedures.conftest import Make


def rail(volts: float, more: str = "") -> str:
    machine = f'[machine]\nmodel = "alder-14"\n[machine.parameters.rail]\nvolts = {volts}\nsource_ohm = 0.5\n'
    return f"[jig]\n{more}\n{machine}"


@pytest.mark.parametrize("code", [1536, 2560])  # 2.5 V and 4.1 V: a supply that the model can give
def test_a_supply_that_reads_on_a_wide_code(code: int, bench: Make) -> None:
    """RP2040-E11 (RP2350 datasheet 12.4.1). 6.6 V are 4096 codes behind the divider of two."""
    assert code in adc.SPIKE_CODES
    for off in (-4.0, 0.0, 3.0):
        volts = round((code + off) * 6.6 / 4096, 4)
        here = bench(rail(volts, "adc_spikes = true\nadc_offset_mv = 0.0"))
        measured = here.measure("supply", 64)
        found = here.estimate(measured)
        assert found.low is not None and found.high is not None and found.low <= volts * 1000.0 <= found.high
        # The readings stand on the wide code, whose width is in the budget; the scatter does not show it.
        budget = adc.budget("supply", here.machine.scale("supply"), measured.mean_raw, measured.sd_raw, measured.n)
        assert budget.converter > 1.5 * adc.CONVERTER_U_RAW / 65535.0 * 6600.0 > budget.noise


@pytest.mark.parametrize("offset_mv", [-15.0, 15.0])
def test_a_converter_with_a_zero_error(offset_mv: float, bench: Make) -> None:
    """Zero error within 15 mV at the pin (common practice, no source)."""
    here = bench(rail(3.3, f"adc_offset_mv = {offset_mv}"))
    for channel, true in (("supply", 3300.0), ("jig_3v3", 3300.0)):
        found = here.estimate(here.measure(channel, 64))
        assert found.low is not None and found.high is not None and found.low <= true <= found.high
        assert found.value is not None and abs(found.value - true - 2.0 * offset_mv) < 8.0  # not corrected, but covered
