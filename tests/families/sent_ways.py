"""Ways to speak SENT: the shipped sensor's profile with another [encoding] table."""

from __future__ import annotations

from collections.abc import Callable

TICK_US = 3.0
SYNC_TICKS = 56  # Microchip dsPIC33 data sheets, SENT chapter; a nibble has 12 ticks and its value, the same


def speaking(form: str, tick_us: float = TICK_US, **more: object) -> Callable[[str], str]:
    """The sensor with another [encoding] table; it looks as often as the longest frame lets it."""
    table = f'tick_us = {tick_us}\nformat = "{form}"'
    for key, value in more.items():
        table += f"\n{key} = " + (f'"{value}"' if isinstance(value, str) else str(value))
    update_hz = min(1000.0, 1e6 / (tick_us * 1100))

    def change(text: str) -> str:
        text = text.replace('tick_us = 3.0\nformat = "H.2"', table)
        return text.replace("update_hz = 1000.0", f"update_hz = {update_hz}")

    return change


# The least and the greatest frame that a pause pulse may make (12 and 768 ticks of it) are among these.
WAYS = {
    "H.1": speaking("H.1"),
    "H.1, 90 us, legacy": speaking("H.1", 90.0, crc="legacy"),
    "H.1, least pause": speaking("H.1", frame_ticks=284),
    "H.1, longest pause": speaking("H.1", 4.3, frame_ticks=920, low_ticks=4),
    "H.2, legacy, pause, status 15": speaking("H.2", 5.0, crc="legacy", frame_ticks=300, status=15, low_ticks=10),
    "H.2, longest pause": speaking("H.2", frame_ticks=884),
    "H.3": speaking("H.3", low_ticks=4),
    "H.3, pause, status 8": speaking("H.3", 10.0, frame_ticks=400, status=8),
    "H.4": speaking("H.4"),
    "H.4, pause, legacy": speaking("H.4", 10.0, frame_ticks=320, crc="legacy"),
    "H.5": speaking("H.5", 20.0, low_ticks=10),
    "H.5, legacy, pause": speaking("H.5", frame_ticks=500, crc="legacy"),
    "H.6": speaking("H.6"),
    "H.6, legacy": speaking("H.6", 7.7, crc="legacy"),
    "H.7": speaking("H.7"),
    "H.7, pause, status 14": speaking("H.7", 3.0, frame_ticks=310, status=14, low_ticks=8),
}
