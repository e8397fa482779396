"""What concerns the board itself rather than a machine: which are there, putting firmware on one, testing
one alone.
"""
