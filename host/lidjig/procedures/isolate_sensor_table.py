"""Causes in the sensor: what each makes the bench see. The machine is well as soon as the jig stands in.

The numbers are common practice, no source, as those of isolate_table.py, whose rows these are.
"""

from __future__ import annotations

from lidjig.procedures.cause import APART, Cause, Row, no, yes

_DEAD: Row = {
    "sensor_current": {"none": 0.95},
    "sensor_open": {"operated": 0.9},
    "sensor_shut": {"operated": 0.9},
    # One that counts steps says nothing by which it could be called silent: it counts none.
    "sensor_speaks": {"silent": 0.79, "yes": 0.2, "wrong": 0.009},
    "sensor_follows": {"stuck": 0.97},
    "sensor_unfed": {"operated": 0.9},
    "start_through": no(0.9),
    "sleep_through": no(0.5),
    "wake_through": no(0.6),
}

SENSOR_CAUSES: tuple[Cause, ...] = (
    Cause(
        "sensor", "dead", 0.09,
        "the sensor draws no current and its output holds the line as if the lid were shut",
        "Replace the sensor; a new one needs its zero set. It is powered at all times: look for liquid on its supply.",
        APART,
        _DEAD,
        only="switch",
    ),
    Cause(
        "sensor", "dead", 0.09,
        "the sensor draws no current and tells nothing of the lid",
        "Replace the sensor; a new one needs its zero set. It is powered at all times: look for liquid on its supply.",
        APART,
        _DEAD,
        only="angle",
    ),
    Cause(
        "sensor", "stuck-shut", 0.06,
        "the sensor is fed and draws current, and says shut whatever the lid does",
        "Look for a magnet or a magnetised screw near the sensor; then replace the sensor.",
        APART,
        {
            "sensor_open": {"operated": 0.97},
            "sensor_follows": {"stuck": 0.99},
            "sensor_unfed": {"released": 0.9},
            "start_through": no(0.9),
            "sleep_through": yes(0.7),
            "wake_through": no(0.9),
        },
    ),
    Cause(
        "sensor", "stuck-open", 0.05,
        "the sensor is fed and draws current, and says open whatever the lid does",
        "Check that the magnet is in the lid and not displaced; then replace the sensor.",
        APART,
        {"sensor_shut": {"released": 0.97}, "sensor_follows": {"stuck": 0.99}, "sleep_through": no(0.95)},
    ),
    Cause(
        "sensor", "stuck-shut", 0.015,  # one of two lid outputs that must both say shut: the other one still works
        "one output of the sensor says shut whatever the lid does, and the machine goes by the other one",
        "Look for a magnet or a magnetised screw near the sensor; then replace the sensor.",
        APART,
        {"sensor_open": {"operated": 0.97}},
        only="switch",
    ),
    Cause(
        "sensor", "intermittent", 0.04,
        "the sensor's output changes while nobody moves the lid",
        "Clean and reseat the sensor's connector, flex its cable while watching; then replace the sensor.",
        APART,
        {
            "sensor_steady": {"no": 0.85},
            "sensor_open": {"released": 0.75, "operated": 0.25},
            "sensor_shut": {"operated": 0.75, "released": 0.25},
            "sensor_speaks": {"yes": 0.9, "silent": 0.03, "wrong": 0.06},
            "sensor_follows": {"right": 0.8, "displaced": 0.05, "stuck": 0.05},
            "start_through": yes(0.7),
            "sleep_through": yes(0.7),
            "wake_through": yes(0.7),
        },
    ),
    Cause(
        "sensor", None, 0.015,
        "nothing answers on the sensor's side: no current, and lines that nobody drives",
        "Is the sensor plugged into the jig? Then look at its cable and connector, and at its supply pin.",
        APART,
        {
            "sensor_current": {"none": 0.97},
            "sensor_shut": {"released": 0.97},
            "sensor_speaks": {"silent": 0.79, "yes": 0.2, "wrong": 0.009},
            "sensor_follows": {"stuck": 0.97},
            "sleep_through": no(0.97),
        },
    ),
    Cause(
        "sensor", "zero-off", 0.007,
        "the sensor is alive and follows the lid by the right travel, but its zero is displaced: it was not set, or "
        "magnet or sensor has turned",
        "Set the sensor's zero with the lid shut; look first whether magnet and sensor sit firmly where they belong.",
        APART,
        {
            "sensor_follows": {"displaced": 0.96},
            "sensor_open": {"released": 0.8, "operated": 0.2},
            "sensor_shut": {"operated": 0.4, "released": 0.6},
            "start_through": yes(0.8),
            "sleep_through": {"yes": 0.4, "no": 0.59, "late": 0.01},
            "wake_through": yes(0.7),
        },
        only="angle",
    ),
    Cause(
        "sensor", "zero-off", 0.003,  # by so little that the machine works all the same, at another angle of the lid
        "the sensor is alive and follows the lid by the right travel, but its zero is displaced: it was not set, or "
        "magnet or sensor has turned",
        "Set the sensor's zero with the lid shut; look first whether magnet and sensor sit firmly where they belong.",
        APART,
        {"sensor_follows": {"displaced": 0.96}},
        only="angle",
    ),
    Cause(
        "sensor", "magnet-missing", 0.004,
        "the sensor is alive and says itself that it has no magnet, or one that is too weak or too strong",
        "Look for the magnet on the hinge: is it there, whole, and at its distance? A new magnet needs the zero set.",
        APART,
        {
            "sensor_speaks": {"no-magnet": 0.96},
            "sensor_open": {"released": 0.6, "operated": 0.4},
            "sensor_shut": {"released": 0.6, "operated": 0.4},
            "sensor_follows": {"right": 0.15, "displaced": 0.15, "stuck": 0.4, "wrong": 0.3},
            "start_through": {"yes": 0.6, "no": 0.39, "late": 0.01},
            "sleep_through": {"yes": 0.3, "no": 0.69, "late": 0.01},
            "wake_through": {"yes": 0.5, "no": 0.49, "late": 0.01},
        },
        only="angle",
    ),
    Cause(
        "sensor", None, 0.002,
        "the sensor is fed and draws current, and says nothing: output or wire is broken, or it is another sensor",
        "Is --sensor the profile of this sensor? Then clean and reseat its connector; then replace the sensor.",
        APART,
        {
            "sensor_speaks": {"silent": 0.96},
            "start_through": {"yes": 0.6, "no": 0.39, "late": 0.01},
            "sleep_through": {"yes": 0.1, "no": 0.89, "late": 0.01},
            "wake_through": {"yes": 0.5, "no": 0.49, "late": 0.01},
        },
        only="angle",
    ),
    Cause(
        "sensor", None, 0.002,
        "the sensor sends, but nothing that holds by its format: check or timing is wrong, or it reports an error",
        "Is --sensor the profile of this sensor? Then clean and reseat its connector; then replace the sensor.",
        APART,
        {
            "sensor_speaks": {"wrong": 0.96},
            "start_through": {"yes": 0.6, "no": 0.39, "late": 0.01},
            "sleep_through": {"yes": 0.3, "no": 0.69, "late": 0.01},
            "wake_through": {"yes": 0.5, "no": 0.49, "late": 0.01},
        },
        only="angle",
    ),
    Cause(
        "sensor", None, 0.002,
        "the sensor's angle moves with the lid, but not as the lid does: direction or range is another, or magnet or "
        "sensor is loose",
        "Is --sensor the profile of this sensor? Then look whether magnet and sensor sit firmly on the hinge.",
        APART,
        {
            "sensor_follows": {"wrong": 0.96},
            "sensor_open": {"released": 0.6, "operated": 0.4},
            "sensor_shut": {"released": 0.6, "operated": 0.4},
            "start_through": {"yes": 0.6, "no": 0.39, "late": 0.01},
            "sleep_through": {"yes": 0.4, "no": 0.59, "late": 0.01},
            "wake_through": {"yes": 0.5, "no": 0.49, "late": 0.01},
        },
        only="angle",
    ),
)  # fmt: skip
