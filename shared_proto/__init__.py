"""What host and board say to each other: framing, message table, session rules.

Sans-IO; runs unchanged on MicroPython and CPython.
"""
