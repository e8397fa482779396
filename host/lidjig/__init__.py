"""lidjig: a test jig for the hinge angle sensor of laptop logic boards."""

__version__ = "0.1.0"
