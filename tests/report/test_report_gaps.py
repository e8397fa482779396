"""Gaps and restarts: where each figure marks them, whose clock a time is of, and that all counts of them agree."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from figure_runs import Made, cycles, labels
from lidjig.record.axis import boots_of, gaps_of
from lidjig.record.clock import run_clock
from lidjig.record.stored import StoredGap, StoredRun, StoredStep
from lidjig.show.report.figures.data import timeline_from
from lidjig.show.report.figures.latency import run_chart_svg
from lidjig.show.report.figures.marks import RunMarks, gap_places, near_gaps
from lidjig.show.report.figures.timeline import timeline_svg
from lidjig.show.report.figures.trials import series_of, trials_from
from lidjig.show.report.marks import Marks
from lidjig.show.report.page import make, page
from lidjig.show.report.words import LANGS, Words

AGAIN = "the step begins again from here: disarmed, route through, 100.0 deg"
BACK_S = 30.5  # of the run's clock, when the board's begins anew


def restarted() -> StoredRun:
    """Five cycles, a restart, five more: with the entries that a lost link and its return leave."""
    made = Made()
    last = 0
    for first in (1, 6):
        last = len(made.events)
        made.begin()
        for number in range(first, first + 5):
            made.cycle(number, 1.0 + 4.0 * (number - first))  # at the same board times in both boots
    told = "boot 0000000a -> 0000000b"
    made.gaps += [
        StoredGap("link-lost", "the port closed (it was pulled)", None, last),
        StoredGap("link-back", "a frame came on twin after 0.7 s", None, last),
        StoredGap("restart", told, None, last),
        StoredGap("link-state", "disarmed, route through, angle 100.0 deg, supply 3302 mV", 52_270, last),
        StoredGap("recovered", AGAIN, 150_000, last + 2),
    ]
    run = made.run()
    steps: list[StoredStep] = []
    for step in run.steps:
        number = step.arguments["number"]
        board_s = 1.0 + 4.0 * ((number - 1) if number <= 5 else (number - 6))
        link_s = board_s + 0.1 + (0.0 if number <= 5 else BACK_S)
        steps.append(replace(step, begin_s=link_s, begin_t_us=round(board_s * 1e6)))
    return replace(run, steps=steps)


def killed(done: int, wanted: int) -> StoredRun:
    """So many cycles of those ordered, never closed."""
    run = cycles(done).run(closed=False)
    return replace(run, arguments={"count": wanted})


def test_the_run_chart_marks_a_gap_between_the_cycles_it_fell_between() -> None:
    run = restarted()
    trials = trials_from(run)
    places = gap_places(gaps_of(run, boots_of(run)), trials)
    assert [place.number for place in places] == [5.5]
    assert places[0].kinds == ("link-lost", "restart", "recovered")
    assert near_gaps(places) == 2
    marks = Marks(run, trials, "cycle", Words("en")).chart()
    drawn = run_chart_svg(series_of(trials), labels(), "x", marks)
    bare = run_chart_svg(series_of(trials), labels(), "x")
    assert "between the movements of cycles 5 and 6" in drawn and "between" not in bare
    assert drawn.count("--f-gap") > bare.count("--f-gap") == 0


def test_a_gap_within_a_cycle_is_told_as_in_it() -> None:
    made = cycles(4)
    stimuli = [place for place, event in enumerate(made.events) if event.name == "output"]
    made.gaps.append(StoredGap("lost-events", "3 events are missing before the next one", None, stimuli[2] + 2))
    run = made.run()
    (place,) = gap_places(gaps_of(run, boots_of(run)), trials_from(run))
    assert place.number == 2.0 and place.where("cycle", labels()) == "in cycle 2"


@pytest.mark.parametrize("after", [0, 10**6])
def test_a_gap_outside_all_movements_stands_beside_the_first_or_last(after: int) -> None:
    made = cycles(3)
    made.gaps.append(StoredGap("lost-events", "3 events are missing", None, min(after, len(made.events))))
    run = made.run()
    (place,) = gap_places(gaps_of(run, boots_of(run)), trials_from(run))
    assert place.number == (0.5 if after == 0 else 3.5) and near_gaps([place]) == 1


@pytest.mark.parametrize("lang", LANGS)
def test_the_histogram_says_how_many_movements_lie_beside_gaps(lang: str) -> None:
    built = make(restarted(), lang)
    parts = {part.name: part for part in built.content.figures}
    told = built.words("figure.words.near_gaps", n=2, total=20)
    assert told in parts["histogram"].caption and told in parts["histogram"].description
    assert built.words("figure.words.near_gaps", n=0, total=20) not in page(built)
    clean = {part.name: part for part in make(cycles(5).run(), lang).content.figures}
    assert clean["histogram"].caption == f"{clean['histogram'].title}. {built.words('figure.words.histogram')}"


@pytest.mark.parametrize("lang", LANGS)
def test_the_run_chart_of_a_killed_run_goes_on_to_what_was_ordered(lang: str) -> None:
    built = make(killed(6, 40), lang)
    svg, words = built.drawings["run-chart"](), built.words
    end = words("figure.latency.cut")
    assert f">{end}<" in svg, "no words in the empty rest"
    assert words("figure.latency.left", done=6, wanted=40) in svg
    ticks = [int(text) for text in re.findall(r">(\d+)</text>", svg)]
    assert 40 in ticks
    part = next(part for part in built.content.figures if part.name == "run-chart")
    assert words("figure.words.run_cut", done=6, wanted=40) in part.description
    whole = make(cycles(6).run(), lang).drawings["run-chart"]()
    assert end not in whole


def test_a_stopped_run_is_not_told_as_a_record_that_ends() -> None:
    run = replace(cycles(6).run(), arguments={"count": 40}, outcome="incomplete")
    svg = make(run, "en").drawings["run-chart"]()
    assert "the run ended here" in svg and "the record ends here" not in svg


def test_gaps_beyond_those_with_a_line_are_counted() -> None:
    gaps = tuple((number + 0.5, f"events lost: {number}") for number in range(1, 10))
    svg = run_chart_svg(series_of(trials_from(cycles(12).run())), labels(), "x", RunMarks(gaps))
    assert svg.count(labels()["gap"] + ":") == 6
    assert labels()["more"].replace("{n}", "3") in svg


def test_a_window_of_the_time_axis_keeps_its_gaps() -> None:
    data = timeline_from(restarted(), None)
    gap = next(gap for gap in data.gaps if gap.kind == "restart")
    window = data.between(gap.begin_us - 1_000_000, gap.end_us + 1_000_000)
    assert labels()["gap-restart"] in timeline_svg(window, labels(), "x")
    clear = data.between(data.begin_us, data.begin_us + 5_000_000)
    assert labels()["gap-restart"] not in timeline_svg(clear, labels(), "x")


def test_the_time_axis_names_its_boots() -> None:
    svg = timeline_svg(timeline_from(restarted(), None), labels(), "x")
    assert ">boot 1<" in svg and ">boot 2<" in svg
    assert ">boot 1<" not in timeline_svg(timeline_from(cycles(3).run(), None), labels(), "x")


def test_the_runs_clock_is_found_from_its_steps() -> None:
    run = restarted()
    clock = run_clock(run, boots_of(run))
    assert clock == {1: pytest.approx(0.1), 2: pytest.approx(0.1 + BACK_S)}
    untold = replace(run, steps=[replace(step, begin_s=None) for step in run.steps])
    assert run_clock(untold, boots_of(run)) == {}, "a time that the record does not tell"


@pytest.mark.parametrize("lang", LANGS)
def test_numbers_and_times_say_which_boot_they_are_of(lang: str) -> None:
    built = make(restarted(), lang)
    content, words = built.content, built.words
    second = [row for row in content.events if row.boot == 2]
    assert second[5].number == words("form.boot_number", boot=2, number=6)
    assert second[0].run_time == words.seconds(round((0.1 + BACK_S) * 1e6), 1)
    whole = page(built)
    assert f"<td>{second[5].number}</td>" in whole and content.boots_note in whole
    lost, recovered = content.gaps[0], content.gaps[-1]
    before = built.run.events[built.run.gaps[0].after_event - 1]
    assert words("form.boot_number", boot=1, number=before.counter) in lost.where
    assert words("form.boot_number", boot=2, number=2) in recovered.where
    assert words("form.boot_time", boot=2, time=words.seconds(150_000)) in recovered.when
    # Told before an event of the second boot came, by the second boot's clock.
    assert words("form.boot_time", boot=2, time=words.seconds(52_270)) in content.gaps[3].when
    one = make(cycles(3).run(), lang).content
    assert {row.number for row in one.events} == {str(row.counter) for row in one.events} and one.boots_note == ""


def test_a_reaction_leads_to_the_event_of_its_own_boot() -> None:
    """Both boots have events at the same microseconds: only the boot tells them apart."""
    built = make(restarted(), "en")
    index = built.index
    twice = [
        row for row in built.trials
        if row.boot == 2 and row.reaction_us is not None
        and index.place_at(row.reaction_us) != index.place_at(row.reaction_us, 2)
    ]  # fmt: skip
    assert twice, "the run does not show what is tested"
    for row in twice:
        place = index.place_at(row.reaction_us or 0, 2)
        assert place is not None and index.boot(place) == 2
        assert row.place is not None and index.boot(row.place) == 2


@pytest.mark.parametrize("lang", LANGS)
def test_the_section_counts_entries_and_the_banner_what_broke(lang: str) -> None:
    run = restarted()
    content, words = make(run, lang).content, Words(lang)
    banner = next(banner for banner in content.banners if banner.kind == "gaps")
    told = words("banner.broke", times=words.times(1)), words("banner.restarted", times=words.times(1))
    assert banner.text == " ".join((*told, words("banner.gaps_more")))
    assert content.gaps_note == words("page.gaps_note", n=len(run.gaps), places=2)
    assert len(content.gaps) == len(run.gaps)
    part = next(part for part in content.figures if part.name == "timeline")
    assert words("figure.words.timeline_gaps", n=2) in part.description
