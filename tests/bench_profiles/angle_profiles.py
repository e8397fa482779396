"""A good profile text for every family of sensors that tells an angle, and how to break one."""

from __future__ import annotations

COMMON = """
[supply]
min_v = 3.0
max_v = 3.6

[lid]
shut_deg = 8.0
open_deg = 12.0

[timing]
update_hz = 100.0

[range]
angle_min_deg = 0.0
angle_max_deg = 180.0
start_deg = 100.0
safe_route = "through"
"""
TURN = "[transfer]\nwrap = true\nspan_deg = 360.0\n"
HALF = "[transfer]\nzero_deg = 0.0\nspan_deg = 180.0\n"

# Family: its own tables.
OWN = {
    "analog": f'{HALF}\n[encoding]\nlow_percent = 10.0\nhigh_percent = 90.0\nvia = "filtered-pwm"\npwm_hz = 20000\n',
    "pwm": f'{HALF}\n[encoding]\nfrequency_hz = 920.0\ndrive = "push-pull"\nhead_clocks = 128\ntail_clocks = 128\n',
    "sent": f'{HALF}\n[encoding]\ntick_us = 3.0\nformat = "H.2"\ncrc = "recommended"\nlow_ticks = 5\n',
    "i2c": f'{TURN}\n[encoding]\nlayout = "12-bit"\naddress = 0x36\nwrap = true\n',
    "ssi": f"{TURN}\n[encoding]\nclock_max_hz = 1000000\npause_us = 20.0\nstatus = 0\nwrap = true\n",
    "quadrature": f"{TURN}\n[encoding]\nsteps_per_turn = 4096\nindex_quarters = 1\nrate_max_hz = 100000\nwrap = true\n",
    "sincos": f"{TURN}\n[encoding]\namplitude_percent = 40.0\noffset_sin_percent = 50.0\ncos_gain = 1.0\n",
}
FAMILIES = tuple(OWN)


def good(family: str) -> str:
    """The text of a profile that is accepted."""
    return f'name = "mine-1"\ntitle = "Mine 1"\nfamily = "{family}"\n{COMMON}\n{OWN[family]}'


def changed(text: str, before: str, after: str) -> str:
    """The text with one thing in it replaced."""
    assert text.count(before) == 1, f"{before!r} stands {text.count(before)} times in the profile"
    return text.replace(before, after)


def lid_at(text: str, shut_deg: float, open_deg: float) -> str:
    """The text with other angles at which the lid counts as shut and as open, where its span tells them."""
    return changed(text, "shut_deg = 8.0\nopen_deg = 12.0", f"shut_deg = {shut_deg}\nopen_deg = {open_deg}")


def transfer(family: str, rows: str, *, of_encoding: str = "") -> str:
    """A good profile with more rows in its [transfer], and in its [encoding]."""
    text = changed(good(family), "[encoding]\n", f"[encoding]\n{of_encoding}")
    return changed(text, "[transfer]\n", f"[transfer]\n{rows}")
