"""What the page says of the trim, by the sensor profile that the run kept."""

from __future__ import annotations

import html
from dataclasses import replace

import make_runs
import pytest
from lidjig.bench.profiles import load_sensor
from lidjig.record.store import open_store
from lidjig.show.report.page import make, page
from lidjig.show.report.words import LANGS, Words

SAID = {
    "hinge-a1": "switch", "hinge-p1": "digital", "hinge-q1": "digital", "hinge-v1": "analog", "hinge-w1": "sincos",
    None: "unknown",
}  # fmt: skip


@pytest.mark.parametrize("lang", LANGS)
@pytest.mark.parametrize("sensor", SAID)
def test_trim_by_family(made: make_runs.Made, sensor: str | None, lang: str) -> None:
    with open_store(made.store, create=False) as store:
        run = store.run(made.ids["healthy"])
    texts = {name: text for name, text in run.texts.items() if name != "sensor"}
    if sensor is not None:
        texts["sensor"] = load_sensor(sensor)[1]
    content = make(replace(run, texts=texts), lang)
    wanted = Words(lang)(f"page.trim_{SAID[sensor]}")
    assert content.content.trim == wanted and wanted in html.unescape(page(content))
