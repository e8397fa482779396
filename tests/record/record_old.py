"""Records as lidjig 0.1 wrote them with schema 1 and 2, made with plain SQL."""

from __future__ import annotations

import sqlite3
from pathlib import Path

# The tables of schema 2 as they stood; schema 1 is the same without job_fields.
TABLES = """
CREATE TABLE lidjig_schema (
    id INTEGER NOT NULL,
    version INTEGER NOT NULL,
    written_by VARCHAR(40) NOT NULL,
    PRIMARY KEY (id)
);
CREATE TABLE jobs (
    number INTEGER NOT NULL,
    name VARCHAR(120) NOT NULL,
    created_utc VARCHAR(32) NOT NULL,
    PRIMARY KEY (number),
    UNIQUE (name)
);
CREATE TABLE job_fields (
    job INTEGER NOT NULL,
    name VARCHAR(40) NOT NULL,
    text TEXT NOT NULL,
    PRIMARY KEY (job, name),
    FOREIGN KEY(job) REFERENCES jobs (number)
);
CREATE TABLE runs (
    number INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT,
    job INTEGER,
    command VARCHAR(40) NOT NULL,
    arguments TEXT NOT NULL,
    command_line TEXT NOT NULL,
    seed VARCHAR(80),
    host_version VARCHAR(40) NOT NULL,
    firmware_version VARCHAR(40) NOT NULL,
    board_id VARCHAR(32) NOT NULL,
    link_details TEXT NOT NULL,
    resumes INTEGER,
    started_utc VARCHAR(32) NOT NULL,
    ended_utc VARCHAR(32),
    outcome VARCHAR(16),
    FOREIGN KEY(job) REFERENCES jobs (number),
    FOREIGN KEY(resumes) REFERENCES runs (number)
);
CREATE TABLE events (
    run INTEGER NOT NULL,
    place INTEGER NOT NULL,
    counter BIGINT NOT NULL,
    name VARCHAR(40) NOT NULL,
    t_us BIGINT NOT NULL,
    data TEXT NOT NULL,
    PRIMARY KEY (run, place),
    FOREIGN KEY(run) REFERENCES runs (number)
);
CREATE TABLE findings (
    run INTEGER NOT NULL,
    place INTEGER NOT NULL,
    where_at VARCHAR(20) NOT NULL,
    what VARCHAR(60),
    probability DOUBLE,
    evidence TEXT NOT NULL,
    next_step TEXT NOT NULL,
    caution TEXT NOT NULL,
    PRIMARY KEY (run, place),
    FOREIGN KEY(run) REFERENCES runs (number)
);
CREATE TABLE frames (
    run INTEGER NOT NULL,
    place INTEGER NOT NULL,
    text TEXT NOT NULL,
    PRIMARY KEY (run, place),
    FOREIGN KEY(run) REFERENCES runs (number)
);
CREATE TABLE gaps (
    run INTEGER NOT NULL,
    place INTEGER NOT NULL,
    kind VARCHAR(40) NOT NULL,
    text TEXT NOT NULL,
    t_us BIGINT,
    after_event INTEGER NOT NULL,
    PRIMARY KEY (run, place),
    FOREIGN KEY(run) REFERENCES runs (number)
);
CREATE TABLE measurements (
    run INTEGER NOT NULL,
    place INTEGER NOT NULL,
    name VARCHAR(120) NOT NULL,
    value DOUBLE,
    unit VARCHAR(20) NOT NULL,
    low DOUBLE,
    high DOUBLE,
    n INTEGER NOT NULL,
    limit_low DOUBLE,
    limit_high DOUBLE,
    marginal_band DOUBLE NOT NULL,
    outcome VARCHAR(16) NOT NULL,
    PRIMARY KEY (run, place),
    FOREIGN KEY(run) REFERENCES runs (number)
);
CREATE TABLE notes (
    run INTEGER NOT NULL,
    place INTEGER NOT NULL,
    text TEXT NOT NULL,
    written_utc VARCHAR(32) NOT NULL,
    PRIMARY KEY (run, place),
    FOREIGN KEY(run) REFERENCES runs (number)
);
CREATE TABLE samples (
    run INTEGER NOT NULL,
    place INTEGER NOT NULL,
    channel VARCHAR(60) NOT NULL,
    unit VARCHAR(20) NOT NULL,
    value DOUBLE,
    u DOUBLE,
    n INTEGER NOT NULL,
    t_us BIGINT,
    dtype VARCHAR(8),
    shape VARCHAR(80),
    data BLOB,
    PRIMARY KEY (run, place),
    FOREIGN KEY(run) REFERENCES runs (number)
);
CREATE TABLE steps (
    run INTEGER NOT NULL,
    place INTEGER NOT NULL,
    parent INTEGER,
    depth INTEGER NOT NULL,
    name VARCHAR(120) NOT NULL,
    arguments TEXT NOT NULL,
    begin_s DOUBLE,
    end_s DOUBLE,
    begin_t_us BIGINT,
    end_t_us BIGINT,
    state VARCHAR(16) NOT NULL,
    result TEXT,
    exception TEXT,
    PRIMARY KEY (run, place),
    FOREIGN KEY(run) REFERENCES runs (number)
);
CREATE TABLE texts (
    run INTEGER NOT NULL,
    place INTEGER NOT NULL,
    kind VARCHAR(40) NOT NULL,
    text TEXT NOT NULL,
    PRIMARY KEY (run, place),
    FOREIGN KEY(run) REFERENCES runs (number)
);
"""

ROWS = """
INSERT INTO jobs VALUES (1, 'ticket 17', '2026-01-05T08:00:00.000+00:00');
INSERT INTO runs VALUES (1, 1, 'confirm', '{"rounds":3}', '["confirm","--machine","alder-14"]', '42', '0.1.0', '0.1.0',
    'e66164084373532a', '{"name":"twin"}', NULL, '2026-01-05T08:00:01.000+00:00', '2026-01-05T08:01:00.000+00:00',
    'fail');
INSERT INTO runs VALUES (2, NULL, 'cycle', '{}', '["cycle"]', NULL, '0.1.0', '0.1.0', 'e66164084373532a', '{}', 1,
    '2026-01-05T09:00:00.000+00:00', NULL, NULL);
INSERT INTO texts VALUES (1, 1, 'machine', 'name = "alder-14"
title = "a machine"
');
INSERT INTO texts VALUES (1, 2, 'sensor', 'name = "hinge-a1"
');
INSERT INTO events VALUES (1, 1, 1, 'boot', 0, '{"cause":0}');
INSERT INTO events VALUES (1, 2, 2, 'edge', 1125899906842624, '{"level":1,"line":6}');
INSERT INTO events VALUES (2, 1, 3, 'mark', 77, '{}');
INSERT INTO gaps VALUES (1, 1, 'link-lost', 'no frame came', 5, 2);
INSERT INTO notes VALUES (1, 1, 'first', '2026-01-05T08:00:30.000+00:00');
INSERT INTO notes VALUES (1, 1000001, 'operator: corrosion', '2026-01-05T10:00:00.000+00:00');
INSERT INTO measurements VALUES (1, 1, 'supply', 3.3, 'V', 3.2, 3.4, 64, 3.0, 3.6, 0.05, 'pass');
INSERT INTO findings VALUES (1, 1, 'sensor', 'dead', 0.9, '["0 mA"]', 'Replace it.', 'ESD strap.');
INSERT INTO samples VALUES (1, 1, 'supply', 'mV', 3300.5, 12.0, 64, 99, NULL, NULL, NULL);
INSERT INTO steps VALUES (1, 1, NULL, 0, 'close', '{"n":1}', 0.0, 1.5, 1, 2, 'done', NULL, NULL);
INSERT INTO frames VALUES (1, 1, '> hello seq=1');
"""

FIELDS = "INSERT INTO job_fields VALUES (1, 'complaint', 'never starts');"


def make(path: Path, version: int) -> Path:
    """A record of that schema (1 or 2) with two runs, one of them killed, and a job."""
    with sqlite3.connect(path) as old:
        old.execute("PRAGMA journal_mode = WAL")
        old.executescript(TABLES + ROWS)
        if version == 1:
            old.execute("DROP TABLE job_fields")
        else:
            old.execute(FIELDS)
        old.execute("INSERT INTO lidjig_schema VALUES (1, ?, '0.1.0')", (version,))
    old.close()
    return path
