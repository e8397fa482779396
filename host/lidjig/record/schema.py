"""The tables of the record. Plain SQLAlchemy Core, so that any database it speaks to will do.

Every row of a run carries the run's number and its own place in order, so a run reads back as it happened.
Wall-clock stamps stand in columns of their own (*_utc); all else is the same when the same seed and commands
run again on the twin.
"""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Column,
    Double,
    ForeignKey,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
)

# How an older record is brought up to this: record/migrate.py.
SCHEMA_VERSION = 5
TABLES_SINCE = 3  # the version that brought the last table; later ones brought columns
CHECKSUMS_SINCE = 5

# What is added to a run beside its own writing (an operator's notes, what was lost of a damaged record) has places
# above this one, so that it never meets the run's own rows.
OPERATOR_PLACE = 1_000_000

metadata = MetaData()


def _checksum() -> Column[object]:
    """See record/checksum.py; None in a row from before schema 5."""
    return Column("checksum", BigInteger, nullable=True)


schema = Table(
    "lidjig_schema",
    metadata,
    Column("id", Integer, primary_key=True, autoincrement=False),  # always 1
    Column("version", Integer, nullable=False),
    Column("written_by", String(40), nullable=False),
)

jobs = Table(
    "jobs",
    metadata,
    Column("number", Integer, primary_key=True, autoincrement=True),
    Column("name", String(120), nullable=False),
    Column("created_utc", String(32), nullable=False),
    UniqueConstraint("name"),
)

# What a person entered about a job: free text, a row for each field that was entered.
job_fields = Table(
    "job_fields",
    metadata,
    Column("job", Integer, ForeignKey("jobs.number"), primary_key=True),
    Column("name", String(40), primary_key=True),
    Column("text", Text, nullable=False),
    _checksum(),
)

# What another bench's record says of the same field of the same job: kept beside ours, a row for each text.
job_fields_elsewhere = Table(
    "job_fields_elsewhere",
    metadata,
    Column("job", Integer, ForeignKey("jobs.number"), primary_key=True),
    Column("name", String(40), primary_key=True),
    Column("digest", String(64), primary_key=True),  # SHA-256 of the text: no database takes a long text as a key
    Column("text", Text, nullable=False),
)

runs = Table(
    "runs",
    metadata,
    Column("number", Integer, primary_key=True, autoincrement=True),
    Column("job", Integer, ForeignKey("jobs.number"), nullable=True),
    Column("command", String(40), nullable=False),
    Column("arguments", Text, nullable=False),  # JSON
    Column("command_line", Text, nullable=False),  # JSON list
    Column("seed", String(80), nullable=True),
    Column("host_version", String(40), nullable=False),
    Column("firmware_version", String(40), nullable=False),
    Column("board_id", String(32), nullable=False),
    Column("link_details", Text, nullable=False),  # JSON
    Column("resumes", Integer, ForeignKey("runs.number"), nullable=True),
    Column("started_utc", String(32), nullable=False),
    Column("ended_utc", String(32), nullable=True),  # no end: still running, or killed
    Column("outcome", String(16), nullable=True),
    # The same run in every record that it is brought to: 32 hexadecimal digits, random like a wall-clock stamp.
    Column("uid", String(32), nullable=True, unique=True),
    Column("machine", String(120), nullable=True),  # name of the machine profile
    Column("origin", String(16), nullable=True),  # id in the record that it was made in, where that was another one
    _checksum(),
    sqlite_autoincrement=True,  # a number is never given twice, even after a run was deleted
)


def _of_run(name: str, *columns: Column[object]) -> Table:
    """A table whose rows belong to a run and have a place in it, from 1."""
    return Table(
        name,
        metadata,
        Column("run", Integer, ForeignKey("runs.number"), primary_key=True),
        Column("place", Integer, primary_key=True, autoincrement=False),
        *columns,
        _checksum(),
    )


texts = _of_run("texts", Column("kind", String(40), nullable=False), Column("text", Text, nullable=False))

events = _of_run(
    "events",
    Column("counter", BigInteger, nullable=False),
    Column("name", String(40), nullable=False),
    Column("t_us", BigInteger, nullable=False),  # board time
    Column("data", Text, nullable=False),  # JSON
)

samples = _of_run(
    "samples",
    Column("channel", String(60), nullable=False),
    Column("unit", String(20), nullable=False),
    Column("value", Double, nullable=True),
    Column("u", Double, nullable=True),
    Column("n", Integer, nullable=False),
    Column("t_us", BigInteger, nullable=True),
    Column("dtype", String(8), nullable=True),  # of a series: little-endian array, else empty
    Column("shape", String(80), nullable=True),  # JSON list
    Column("data", LargeBinary, nullable=True),
)

steps = _of_run(
    "steps",
    Column("parent", Integer, nullable=True),  # place of the step that holds this one
    Column("depth", Integer, nullable=False),
    Column("name", String(120), nullable=False),
    Column("arguments", Text, nullable=False),  # JSON
    Column("begin_s", Double, nullable=True),  # clock of the link
    Column("end_s", Double, nullable=True),
    Column("begin_t_us", BigInteger, nullable=True),  # board time, where known
    Column("end_t_us", BigInteger, nullable=True),
    Column("state", String(16), nullable=False),  # open, done, failed
    Column("result", Text, nullable=True),  # JSON
    Column("exception", Text, nullable=True),
)

measurements = _of_run(
    "measurements",
    Column("name", String(120), nullable=False),
    Column("value", Double, nullable=True),
    Column("unit", String(20), nullable=False),
    Column("low", Double, nullable=True),
    Column("high", Double, nullable=True),
    Column("n", Integer, nullable=False),
    Column("limit_low", Double, nullable=True),
    Column("limit_high", Double, nullable=True),
    Column("marginal_band", Double, nullable=False),
    Column("outcome", String(16), nullable=False),
)

findings = _of_run(
    "findings",
    Column("where_at", String(20), nullable=False),
    Column("what", String(60), nullable=True),
    Column("probability", Double, nullable=True),
    Column("evidence", Text, nullable=False),  # JSON list
    Column("next_step", Text, nullable=False),
    Column("caution", Text, nullable=False),
)

gaps = _of_run(
    "gaps",
    Column("kind", String(40), nullable=False),
    Column("text", Text, nullable=False),
    Column("t_us", BigInteger, nullable=True),
    Column("after_event", Integer, nullable=False),  # place of the last event before it
)

notes = _of_run("notes", Column("text", Text, nullable=False), Column("written_utc", String(32), nullable=False))

frames = _of_run("frames", Column("text", Text, nullable=False))

# What the findings stand on: an observation of the reasoning table, its value there (a word: "right", "late"), and the
# sentence with its numbers. Of several with one name the last one counts.
observations = _of_run(
    "observations",
    Column("name", String(120), nullable=False),
    Column("value", String(60), nullable=False),
    Column("text", Text, nullable=False),
)

# Samples of a channel, about 2 s in a row. What is in them: record/blocks.py.
blocks = Table(
    "blocks",
    metadata,
    Column("run", Integer, ForeignKey("runs.number"), primary_key=True),
    Column("channel", String(60), primary_key=True),
    Column("place", Integer, primary_key=True, autoincrement=False),  # from 1 in each channel
    Column("unit", String(20), nullable=False),
    Column("per_raw", Double, nullable=False),  # value = (raw - offset) * per_raw
    Column("offset", Double, nullable=False),
    Column("t_us", BigInteger, nullable=False),  # board time of the first sample
    Column("span_us", BigInteger, nullable=False),  # from the first sample to the last
    Column("n", Integer, nullable=False),
    Column("marks", LargeBinary, nullable=False),
    Column("data", LargeBinary, nullable=False),
    Column("number", BigInteger, nullable=True),  # of the first batch, as the jig counted; None in an older record
    _checksum(),
)

# Files that were attached: each content once, however often it is attached and under whatever name.
attachments = Table(
    "attachments",
    metadata,
    Column("sha256", String(64), primary_key=True),
    Column("size", BigInteger, nullable=False),
    Column("data", LargeBinary(2**32 - 1), nullable=False),
)


def _attached_to(name: str, owner: str, owner_table: str) -> Table:
    return Table(
        name,
        metadata,
        Column(owner, Integer, ForeignKey(f"{owner_table}.number"), primary_key=True),
        Column("sha256", String(64), ForeignKey("attachments.sha256"), primary_key=True),
        Column("name", String(255), primary_key=True),
        Column("media_type", String(120), nullable=False),
        Column("attached_utc", String(32), nullable=False),
    )


run_attachments = _attached_to("run_attachments", "run", "runs")
job_attachments = _attached_to("job_attachments", "job", "jobs")

# Tables whose rows a run reads back whole; its blocks are read by channel.
RUN_TABLES = (texts, events, samples, steps, measurements, findings, gaps, notes, frames, observations)

# Tables whose rows have a checksum.
SUMMED = (job_fields, runs, *RUN_TABLES, blocks)
