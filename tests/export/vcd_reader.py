"""vcdvcd as a second reader of .vcd; what imports this is skipped where it is not installed."""

from __future__ import annotations

import signal

import pytest

_SIGPIPE = getattr(signal, "SIGPIPE", None)
_handler = signal.getsignal(_SIGPIPE) if _SIGPIPE is not None else None
vcdvcd = pytest.importorskip("vcdvcd", reason="vcdvcd is not installed (pip install vcdvcd): no second reader of .vcd")
if _SIGPIPE is not None:
    # On import vcdvcd lets a broken pipe end the process; whoever tests a twin that died later would end with it.
    signal.signal(_SIGPIPE, _handler)
