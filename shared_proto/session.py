"""Sessions: the board's half, the host's half, and the kinds of outcome, under one name.

The halves sit in modules of their own and are imported when first asked for, so that a board that says
`from shared_proto.session import BoardSession` does not load the host's half.
"""

TYPE_CHECKING = False  # MicroPython has no typing; type checkers know this name
if TYPE_CHECKING:
    from shared_proto.session_board import BoardSession
    from shared_proto.session_host import (
        BATCH,
        EVENT,
        GAP,
        KINDS,
        PULSE,
        REFUSAL,
        REJOINED,
        RESTARTED,
        RESULT,
        SILENT,
        STRAY,
        UNKNOWN,
        HostSession,
        Outcome,
        Stats,
    )

__all__ = (
    "BoardSession",
    "HostSession",
    "Outcome",
    "Stats",
    "KINDS",
    "RESULT",
    "REFUSAL",
    "EVENT",
    "GAP",
    "PULSE",
    "BATCH",
    "SILENT",
    "RESTARTED",
    "REJOINED",
    "UNKNOWN",
    "STRAY",
)


def __getattr__(name: str) -> object:
    if name == "BoardSession":
        from shared_proto import session_board

        return session_board.BoardSession
    if name in __all__:
        from shared_proto import session_host

        return getattr(session_host, name)
    raise AttributeError("module shared_proto.session has no attribute " + name)
