"""A board whose memory ends."""

import builtins


class NoMemory:
    """The memory ends in the middle of an import of this module."""

    def __init__(self, module):
        self.module = module

    def __enter__(self):
        self.real = builtins.__import__
        builtins.__import__ = self.load

    def load(self, name, *more):
        if name == self.module:
            raise MemoryError("test")
        return self.real(name, *more)

    def __exit__(self, *_error):
        builtins.__import__ = self.real
