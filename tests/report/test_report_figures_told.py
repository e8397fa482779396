"""One figure, one way to write it: digits by its interval, in table and sentence alike, one word between two ends."""

from __future__ import annotations

import re

import make_runs
import pytest
from lidjig.record.model import MeasuredValue
from lidjig.record.store import open_store
from lidjig.record.stored import StoredRun
from lidjig.show.numbers import places
from lidjig.show.report.page import make, page
from lidjig.show.report.retold import retold
from lidjig.show.report.words import LANGS, Words

START = MeasuredValue("start, stand-in open", 2.940042, "s", 1.646859, 4.233225, 1, None, 6.0)


@pytest.fixture(scope="module")
def runs(made: make_runs.Made) -> dict[str, StoredRun]:
    with open_store(made.store, create=False) as store:
        return {name: store.run(run_id) for name, run_id in made.ids.items()}


def test_two_digits_of_the_uncertainty() -> None:
    """JCGM 100:2008 (GUM), 7.2.6: its example is 10.057 62 ohm with u = 27 mohm, told as 10.058 ohm."""
    assert places(10.05762 - 0.027, 10.05762 + 0.027) == 3
    assert places(0.9215, 0.9245) == 4 and places(0.9215, 0.9245, "s") == 3  # as board times are told
    assert places(1.0, 1.0) is None


def test_a_sentence_has_the_digits_of_the_table() -> None:
    told = "stand-in open: the machine started, S0 1.65 to 4.23 s after the operator acted (limit 6 s)"
    assert retold(told, [START]) == told.replace("1.65 to 4.23", "1.6 to 4.2")
    assert retold(told, []) == told
    limit = "start (limit 4.23 s)"  # what was set keeps its form, whatever was measured
    assert retold(limit, [START]) == limit
    level = MeasuredValue("sensor line 1, lid open", 0.015046, "1", 4.67e-05, 0.030046, 64)
    assert retold("lid open (line 1 at 0.02 of its supply)", [level]).endswith("at 0.015 of its supply)")


@pytest.mark.parametrize(("lang", "wanted"), [("en", "draws −0.01\u202fmA"), ("de", "−0,01\u202fmA")])
def test_a_negative_number_has_a_minus_sign(lang: str, wanted: str) -> None:
    said = Words(lang).sentence("the sensor draws -0.01 mA from the jig (1.5 to 4 mA is typical)")
    assert wanted in said.text and said.lang is None


def test_an_id_keeps_its_hyphen() -> None:
    assert Words("en").sentence("go on with r-000042").text == "go on with r-000042"


@pytest.mark.parametrize(("lang", "wanted"), [("en", "after 1.012\u202fs ("), ("de", "1,012\u202fs (")])
def test_a_range_of_one_figure_is_that_figure(lang: str, wanted: str) -> None:
    said = Words(lang).sentence("stand-in: slept 1 of 1 time, after 1.012 to 1.012 s (limit 3 s)").text
    assert wanted in said and said.count("1.012") + said.count("1,012") == 1
    both = Words(lang).sentence("stand-in: slept 2 of 2 times, after 1.012 to 11.012 s (limit 3 s)").text
    assert both.count("1.012") + both.count("1,012") == 2


@pytest.mark.parametrize("lang", LANGS)
def test_no_dash_stands_between_two_figures(runs: dict[str, StoredRun], lang: str) -> None:
    for name in ("sensor", "cycles"):
        html = re.sub(r"<style.*?</style>|<pre.*?</pre>", "", page(make(runs[name], lang)), flags=re.DOTALL)
        assert not re.search(r"\d ?[–-] ?\d", re.sub(r"r-\d+|\d{4}-\d\d-\d\d|<[^>]*>|[\w.]*-\d+", "", html))


@pytest.mark.parametrize("lang", LANGS)
def test_one_word_for_the_charger(lang: str) -> None:
    from lidjig.show.report.words import catalogue

    assert not [key for key, text in catalogue(lang).items() if "Netzteil" in text]


def test_a_line_hangs_on_its_pull() -> None:
    told = "line 1 is pulled by about 46.7 kohm behind 3.29 V (35 to 60 kohm expected)"
    assert Words("de").sentence(told).text.startswith("Leitung 1 hängt über rund 46,7\u202fkΩ an 3,29\u202fV (35 bis")
