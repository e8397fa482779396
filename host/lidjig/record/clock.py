"""The clock of a run beside those of its boots: the board counts anew after each restart, the link's clock goes on."""

from __future__ import annotations

from lidjig.record.axis import Boot
from lidjig.record.stored import StoredRun

# A step apart by more: the board's clock began anew. The board time that a step is kept with is that of the last frame,
# up to 0.3 s old, so the least difference of the clocks is nearest to the truth.
JUMP_S = 0.5


def run_clock(run: StoredRun, boots: tuple[Boot, ...]) -> dict[int, float]:
    """Number of the boot -> seconds from the run's start to that of its board time by the link's clock, good to 0.1 s.

    From the steps, which are kept with both clocks. Empty where they do not tell the boots apart, as when no step was
    begun in one of them.
    """
    groups: list[list[float]] = []
    for step in run.steps:
        for link_s, board_us in ((step.begin_s, step.begin_t_us), (step.end_s, step.end_t_us)):
            if link_s is None or board_us is None:
                continue
            offset = link_s - board_us / 1e6
            if not groups or offset - min(groups[-1]) > JUMP_S:
                groups.append([])
            groups[-1].append(offset)
    if len(groups) != len(boots):
        return {}
    return {boot.number: min(group) for boot, group in zip(boots, groups, strict=True)}
