"""What each cause makes the bench see, as data; `reasoning.py` draws the conclusion from it.

One row per cause: how often it is met (prior), and for each observation how probable each value is under that cause.
An observation that a row does not mention looks as on a healthy machine. The numbers are common practice, no source:
they rank causes and are no statistics of repairs. Names of causes are those of the fault catalogue.

The trade's own rule needs no row of its own: plugged it does not start (start_through no), unplugged it starts and
never sleeps (start_open yes, sleep_open no), with the stand-in it starts, sleeps and wakes (start_standin yes,
sleep_standin and wake_standin always) leaves only the sensor rows standing.
"""

from __future__ import annotations

from lidjig.procedures.cause import HOT_AIR, POWERED, PROBED, SCREEN, Cause, Row, no, yes
from lidjig.procedures.isolate_sensor_table import SENSOR_CAUSES

__all__ = ["CAUSES", "HEALTHY", "Cause"]

# Every observation: its values, what they mean, and how a healthy machine with a healthy sensor is expected to look.
HEALTHY: dict[str, dict[str, float]] = {
    # sensor supply at the connector, against the machine profile's window
    "supply": {"right": 0.992, "missing": 0.002, "low": 0.003, "high": 0.003},
    # charger voltage against the contract
    "charger": {"right": 0.98, "wrong": 0.02},
    # the worst line of the machine side: its pull, or what stands in its place: a short, or a leak (by its voltage or
    # its resistance another path than the pull)
    "pull": {
        "right": 0.965,
        "none": 0.01,
        "wrong": 0.02,
        "ground": 0.002,
        "supply": 0.002,
        "leak-ground": 0.0005,
        "leak-supply": 0.0005,
    },
    # what the real sensor draws when the jig feeds it
    "sensor_current": {"right": 0.96, "none": 0.01, "wrong": 0.03},
    # what the real sensor says with the lid open and shut, fed by the jig
    "sensor_open": {"released": 0.98, "operated": 0.02},
    "sensor_shut": {"operated": 0.98, "released": 0.02},
    # of a sensor that tells an angle, and only there: what comes back when it is read; whether the angle follows the
    # lid (displaced: by the right travel, from another zero)
    "sensor_speaks": {"yes": 0.987, "silent": 0.005, "wrong": 0.007, "no-magnet": 0.001},
    "sensor_follows": {"right": 0.98, "displaced": 0.005, "stuck": 0.005, "wrong": 0.01},
    # whether its outputs, or its angle, stay as they are while nobody moves the lid
    "sensor_steady": {"yes": 0.995, "no": 0.005},
    # its output while it has no supply
    "sensor_unfed": {"released": 0.95, "operated": 0.05},
    # whether the machine starts: lines open, stand-in open, lines driven to open, stand-in shut, real sensor; late is
    # surely later than its limit
    "start_open": {"yes": 0.978, "no": 0.02, "late": 0.002},
    "start_standin": {"yes": 0.978, "no": 0.02, "late": 0.002},
    "start_driven": {"yes": 0.978, "no": 0.02, "late": 0.002},
    "start_shut": {"yes": 0.299, "no": 0.7, "late": 0.001},  # models differ in this
    "start_through": {"yes": 0.978, "no": 0.02, "late": 0.002},
    # whether it sleeps when shut and wakes when opened: stand-in, driven hard, real sensor, lines open
    "sleep_standin": {"always": 0.977, "late": 0.01, "sometimes": 0.003, "never": 0.01},
    "wake_standin": {"always": 0.977, "late": 0.01, "sometimes": 0.003, "never": 0.01},
    "sleep_driven": {"yes": 0.98, "no": 0.02},
    "sleep_through": {"yes": 0.978, "no": 0.02, "late": 0.002},
    "wake_through": {"yes": 0.978, "no": 0.02, "late": 0.002},
    "sleep_open": {"yes": 0.02, "no": 0.98},
    # whether it stays on, asleep or awake by itself between the movements of the lid
    "state_kept": {"yes": 0.995, "no": 0.005},
}

_NO_START: Row = {
    "start_open": no(0.98),
    "start_standin": no(0.98),
    "start_driven": no(0.98),
    "start_through": no(0.98),
    "start_shut": no(0.98),
}
CAUSES: tuple[Cause, ...] = (
    Cause(
        "none", None, 0.10,
        "all that was tested did what is expected of it",
        "Nothing to mend here. Fit everything, then check start, image, sleep when shut and wake when opened.",
    ),
    *SENSOR_CAUSES,
    # --- the wires between connector and board, with what hangs on them
    Cause(
        "wiring", "line-open", 0.065,
        "the line shows no pull, and the machine does not react even to a line that is driven hard",
        "Reseat the connector, then measure continuity from its line pin to the board; mend the trace or cable.",
        HOT_AIR,
        {
            "pull": {"none": 0.95},
            "sleep_standin": {"never": 0.97},
            "sleep_driven": {"no": 0.97},
            "sleep_through": no(0.97),
            "start_shut": yes(0.9),
        },
    ),
    Cause(
        "wiring", "line-short-ground", 0.05,
        "the line is held at ground, whatever pulls it",
        "Look for liquid or a crushed cable between line and ground; measure the line's resistance with the power off.",
        HOT_AIR,
        # With two lid lines that must both say shut, one held line does not keep the machine from starting.
        {
            "pull": {"ground": 0.97},
            "start_open": no(0.6),
            "start_through": no(0.6),
            "sleep_open": {"no": 0.7},
        },
    ),
    Cause(
        "wiring", "line-short-supply", 0.02,
        "the line is held at the sensor supply, whatever pulls it",
        "Look for a solder bridge or liquid between line and supply pin; measure with the power off.",
        HOT_AIR,
        {
            "pull": {"supply": 0.97},
            "sleep_standin": {"never": 0.9},
            "sleep_driven": {"no": 0.9},
            "sleep_through": no(0.9),
        },
    ),
    Cause(
        "wiring", "pull-missing", 0.02,
        "the line shows no pull, and the machine reacts as soon as the line is driven hard",
        "Find the line's pull-up resistor on the board and measure it with the power off; replace it or its trace.",
        HOT_AIR,
        {
            "pull": {"none": 0.97},
            "start_open": no(0.9),
            "start_standin": no(0.8),
            "start_through": no(0.8),
            "sleep_standin": {"always": 0.5, "never": 0.3, "sometimes": 0.1, "late": 0.1},
            "wake_standin": {"never": 0.8},
            "sleep_open": {"yes": 0.8},
        },
    ),
    Cause(
        "wiring", "pull-missing", 0.02,  # of one of two lid lines that must both say shut: the other one still works
        "a line shows no pull, and the machine reacts to the lid all the same",
        "Find the line's pull-up resistor on the board and measure it with the power off; replace it or its trace.",
        HOT_AIR,
        {"pull": {"none": 0.97}},
    ),
    Cause(
        "wiring", "supply-missing", 0.06,
        "the machine gives no supply on the sensor connector although it has power",
        "Measure the supply pin of the connector and follow its trace to the source; look for liquid damage.",
        PROBED,
        {
            "supply": {"missing": 0.98},
            # Without supply the pulls cannot be measured, and a sensor without supply leaves its line alone.
            "sleep_through": no(0.9),
            "start_through": {"yes": 0.78, "no": 0.2, "late": 0.02},
        },
    ),
    Cause(
        "wiring", None, 0.015,
        "a line's pull is outside what the machine profile accepts",
        "Look for corrosion or leakage on the line; measure its pull-up resistor with the power off.",
        HOT_AIR,
        {"pull": {"wrong": 0.97}},
    ),
    Cause(
        "wiring", None, 0.01,  # with consequences: which, depends on how much leaks
        "a path to ground beside the pull lowers the line: liquid, corrosion or a damaged part",
        "Clean connector and board round the line first, then repeat; if it stays, measure from line to ground with "
        "the power off.",
        HOT_AIR,
        {
            "pull": {"leak-ground": 0.97},
            "start_open": {"yes": 0.5, "no": 0.49, "late": 0.01},
            "start_standin": {"yes": 0.7, "no": 0.29, "late": 0.01},
            "start_driven": {"yes": 0.7, "no": 0.29, "late": 0.01},
            "start_through": {"yes": 0.5, "no": 0.49, "late": 0.01},
            "sleep_standin": {"always": 0.7, "never": 0.15, "sometimes": 0.1, "late": 0.05},
            "wake_standin": {"always": 0.5, "never": 0.4, "sometimes": 0.05, "late": 0.05},
            "wake_through": {"yes": 0.5, "no": 0.49, "late": 0.01},
            "sleep_open": {"yes": 0.5, "no": 0.5},
        },
    ),
    Cause(
        "wiring", None, 0.01,  # without consequences: little leaks, or from one of two lines that must both say shut
        "a path to ground beside the pull lowers the line: liquid, corrosion or a damaged part",
        "Clean connector and board round the line first, then repeat; if it stays, measure from line to ground with "
        "the power off.",
        HOT_AIR,
        {"pull": {"leak-ground": 0.97}},
    ),
    Cause(
        "wiring", None, 0.01,
        "the line is pulled up harder than by its resistor: liquid or corrosion to the supply, or a wrong resistor",
        "Clean connector and board round the line first, then repeat; if it stays, measure from line to supply with "
        "the power off.",
        HOT_AIR,
        {
            "pull": {"leak-supply": 0.97},
            "sleep_standin": {"always": 0.5, "never": 0.4, "sometimes": 0.05, "late": 0.05},
            "sleep_driven": {"yes": 0.5, "no": 0.5},
            "sleep_through": {"yes": 0.5, "no": 0.49, "late": 0.01},
        },
    ),
    # --- the board behind the connector
    Cause(
        "board", "ignores-lid", 0.05,
        "the line reaches the board with its pull, follows the jig, and the board does not react to it",
        "Check the lid input of the board's controller: protection parts, and voltage while the jig shuts the lid.",
        PROBED,
        {
            "sleep_standin": {"never": 0.97},
            "sleep_driven": {"no": 0.97},
            "sleep_through": no(0.97),
            "start_shut": yes(0.8),
        },
    ),
    Cause(
        "board", "no-start", 0.075,
        "the machine does not start although its lid line says open",
        "Follow the board's start sequence: 5 V, 20 V, standby rails, power button. The lid sensor is not the cause.",
        PROBED,
        {**_NO_START, "supply": {"missing": 0.02, "low": 0.02, "high": 0.005, "right": 0.955}},
    ),
    Cause(
        "board", "no-start", 0.015,
        "the machine neither starts nor supplies its sensor connector: a missing standby rail explains both",
        "Follow the sensor supply from the connector's pin to its source: is it missing at the source, mend that rail; "
        "is it there, mend the trace, then repeat this test.",
        PROBED,
        {**_NO_START, "supply": {"missing": 0.98}},
    ),
    Cause(
        "board", None, 0.015,
        "the machine starts, but later than its profile allows",
        "Time it again with another system disk and after a reset of the board's controller, and check the profile's "
        "limits.start_s; then suspect the controller's start sequence.",
        POWERED,
        {
            "start_open": {"late": 0.8, "yes": 0.18, "no": 0.02},
            "start_standin": {"late": 0.8, "yes": 0.18, "no": 0.02},
            "start_driven": {"late": 0.8, "yes": 0.18, "no": 0.02},
            "start_shut": {"late": 0.25, "yes": 0.05, "no": 0.7},
            "start_through": {"late": 0.8, "yes": 0.18, "no": 0.02},
        },
    ),
    Cause(
        "board", "slow-sleep", 0.02,
        "the machine sleeps when shut, but later than its profile allows",
        "Repeat with another system disk or after a reset of the board's controller; then suspect the controller.",
        "",
        {
            "sleep_standin": {"late": 0.96},
            "sleep_driven": {"yes": 0.3, "no": 0.7},
            "sleep_through": {"late": 0.8, "yes": 0.15, "no": 0.05},
        },
    ),
    Cause(
        "board", "never-wakes", 0.03,
        "the machine sleeps when shut and stays asleep when opened",
        "Check the wake signal from controller to chipset and the rails that stay on in sleep.",
        PROBED,
        {"wake_standin": {"never": 0.97}, "wake_through": no(0.97)},
    ),
    Cause(
        "board", "random-miss", 0.03,
        "the machine reacts to some movements of the lid and not to others",
        "Look for cracked joints and moisture round the controller; warm it gently. "
        "'lidjig cycle --count N' narrows the rate.",
        HOT_AIR,
        {
            "sleep_standin": {"sometimes": 0.65, "always": 0.3, "never": 0.05},
            "wake_standin": {"sometimes": 0.5, "always": 0.45, "never": 0.05},
            "sleep_driven": {"yes": 0.6, "no": 0.4},
            "sleep_through": yes(0.7),
            "wake_through": yes(0.7),
        },
    ),
    Cause(
        "board", None, 0.015,
        "the machine wakes later than its profile allows",
        "Time the wake once more after a reset of the board's controller and with another system disk.",
        POWERED,
        {"wake_standin": {"late": 0.9}, "wake_through": {"late": 0.8, "yes": 0.15, "no": 0.05}},
    ),
    Cause(
        "board", None, 0.02,
        "the sensor supply is outside the machine profile's window",
        "Unplug the sensor and measure again; is --machine the profile of this machine? Then measure the rail at its "
        "source, its regulator and what loads it.",
        PROBED,
        {"supply": {"low": 0.5, "high": 0.49, "right": 0.005, "missing": 0.005}},
    ),
    Cause(
        "board", None, 0.02,
        "the machine does not stay in the state that it was brought to: it goes off, asleep or awake by itself",
        "Watch supply rails and charger current while it runs and while it sleeps; feel for heat, look for a short "
        "that comes with warmth; then suspect the controller.",
        PROBED,
        {"state_kept": {"no": 0.95}, "sleep_standin": {"always": 0.9}, "wake_standin": {"always": 0.9}},
    ),
    # --- not the hardware under test
    Cause(
        "setting", None, 0.02,
        "the operating system is set to do nothing, or something slow, when the lid is shut",
        "Start the machine from another system disk or reset its lid setting, then repeat this test.",
        SCREEN,
        {
            # A setting acts on a running system: the refusal to start while shut is not in its power.
            "sleep_standin": {"never": 0.7, "late": 0.27, "sometimes": 0.02, "always": 0.01},
            "sleep_driven": {"no": 0.8, "yes": 0.2},
            "sleep_through": {"no": 0.55, "late": 0.25, "yes": 0.2},
            "wake_standin": {"always": 0.7, "never": 0.25, "sometimes": 0.03, "late": 0.02},
        },
    ),
    Cause(
        "setting", None, 0.005,
        "the lid line's level is the other way round than the profiles say: open starts it not, shut starts it",
        "Check line.active in the machine profile and output.active in the sensor profile against this machine, then "
        "repeat this test.",
        SCREEN,
        {
            "sensor_open": {"operated": 0.5, "released": 0.5},
            "sensor_shut": {"released": 0.5, "operated": 0.5},
            "start_standin": no(0.97),
            "start_driven": no(0.97),
            "start_shut": yes(0.97),
            "sleep_standin": {"never": 0.97},
            "wake_standin": {"never": 0.97},
            "sleep_driven": {"no": 0.97},
        },
        only="switch",
    ),
    Cause(
        "elsewhere", None, 0.03,
        "charger, battery or power button keep the machine from starting; the lid line has no part in it",
        "Try another charger (5 V, then 20 V at its plug) and the power button's cable before the board.",
        POWERED,
        {**_NO_START, "charger": {"wrong": 0.6, "right": 0.4}, "supply": {"missing": 0.3, "right": 0.69}},
    ),
    Cause(
        "elsewhere", None, 0.005,
        "charger, battery, power button or system switch the machine off while only the lid is moved",
        "Repeat with another charger and another system disk, and with nobody near the power button.",
        POWERED,
        {"state_kept": {"no": 0.9}},
    ),
)  # fmt: skip
