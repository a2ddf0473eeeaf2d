//! The tables of a record. `docs/record.md` explains them.

/// Version of the tables; raised when a reader of the old one would misread the new one.
pub const VERSION: i64 = 1;

/// What tells a record from any other SQLite file: `DRYF`.
pub(crate) const APPLICATION_ID: i64 = 0x4452_5946;

/// Every table and view of version 1.
pub(crate) const TABLES: &str = "
CREATE TABLE session (
    id INTEGER PRIMARY KEY CHECK (id = 1),
    state TEXT NOT NULL CHECK (state IN ('unfinished', 'finished')),
    interrupted INTEGER NOT NULL DEFAULT 0,
    tool TEXT NOT NULL,
    seed TEXT NOT NULL,
    bench TEXT NOT NULL,
    bench_kind TEXT NOT NULL,
    controller TEXT NOT NULL,
    firmware_version TEXT,
    scenarios INTEGER NOT NULL,
    host TEXT NOT NULL,
    began_at TEXT NOT NULL,
    ended_at TEXT,
    resumed INTEGER NOT NULL DEFAULT 0
) STRICT;
CREATE TABLE fact (
    place INTEGER PRIMARY KEY,
    topic TEXT NOT NULL,
    name TEXT NOT NULL,
    value TEXT NOT NULL,
    source TEXT NOT NULL
) STRICT;
CREATE TABLE file (
    file INTEGER PRIMARY KEY,
    role TEXT NOT NULL,
    path TEXT NOT NULL,
    bytes INTEGER NOT NULL,
    sha256 TEXT NOT NULL,
    text TEXT
) STRICT;
CREATE TABLE run (
    run INTEGER PRIMARY KEY,
    file INTEGER NOT NULL REFERENCES file (file),
    scenario TEXT NOT NULL,
    why TEXT NOT NULL,
    limits_from TEXT NOT NULL,
    state TEXT NOT NULL CHECK (state IN ('planned', 'running', 'judged', 'finished')),
    seed TEXT NOT NULL,
    identity TEXT,
    fresh_controller INTEGER,
    began_at TEXT,
    ended_at TEXT,
    applicability TEXT CHECK (applicability IN ('ran', 'not-applicable', 'uncovered')),
    applicability_reason TEXT,
    verdict TEXT CHECK (verdict IN ('pass', 'inconclusive', 'fail', 'error')),
    length_us INTEGER,
    cut_short INTEGER,
    trouble TEXT,
    trouble_detail TEXT,
    lost_edges INTEGER,
    lost_console_bytes INTEGER,
    late_setpoints INTEGER,
    damaged_frames INTEGER,
    relays_on TEXT,
    relays_rested_on TEXT
) STRICT;
CREATE TABLE run_hazard (
    run INTEGER NOT NULL, place INTEGER NOT NULL, hazard TEXT NOT NULL, PRIMARY KEY (run, place)
) STRICT, WITHOUT ROWID;
CREATE TABLE signal (
    run INTEGER NOT NULL,
    signal INTEGER NOT NULL,
    name TEXT NOT NULL,
    kind TEXT NOT NULL,
    value_uncertainty INTEGER NOT NULL,
    model_error INTEGER NOT NULL,
    time_uncertainty_us INTEGER NOT NULL,
    release_us INTEGER NOT NULL,
    PRIMARY KEY (run, signal)
) STRICT, WITHOUT ROWID;
CREATE TABLE budget (
    run INTEGER NOT NULL, quantity TEXT NOT NULL CHECK (quantity IN ('edge-time', 'shown-temperature')),
    standard INTEGER NOT NULL, degrees_of_freedom INTEGER, coverage_hundredths INTEGER NOT NULL,
    expanded INTEGER NOT NULL, unit TEXT NOT NULL,
    PRIMARY KEY (run, quantity)
) STRICT, WITHOUT ROWID;
CREATE TABLE contribution (
    run INTEGER NOT NULL, quantity TEXT NOT NULL, place INTEGER NOT NULL,
    source TEXT NOT NULL, over_us INTEGER, half_width INTEGER NOT NULL,
    normal_coverage_hundredths INTEGER, standard INTEGER NOT NULL, stated INTEGER NOT NULL,
    PRIMARY KEY (run, quantity, place)
) STRICT, WITHOUT ROWID;
CREATE TABLE expectation (
    run INTEGER NOT NULL,
    expectation INTEGER NOT NULL,
    name TEXT NOT NULL,
    scope TEXT NOT NULL,
    opens TEXT,
    opens_offset_us INTEGER,
    closes TEXT,
    closes_offset_us INTEGER,
    claim TEXT NOT NULL,
    limit_us INTEGER,
    hold_us INTEGER,
    PRIMARY KEY (run, expectation)
) STRICT, WITHOUT ROWID;
CREATE TABLE expectation_hazard (
    run INTEGER NOT NULL, expectation INTEGER NOT NULL, place INTEGER NOT NULL, hazard TEXT NOT NULL,
    PRIMARY KEY (run, expectation, place)
) STRICT, WITHOUT ROWID;
CREATE TABLE expectation_limit (
    run INTEGER NOT NULL, expectation INTEGER NOT NULL, place INTEGER NOT NULL,
    signal INTEGER NOT NULL, comparison TEXT NOT NULL, value INTEGER NOT NULL,
    PRIMARY KEY (run, expectation, place)
) STRICT, WITHOUT ROWID;
CREATE TABLE finding (
    run INTEGER NOT NULL,
    expectation INTEGER NOT NULL,
    name TEXT NOT NULL,
    expected TEXT NOT NULL,
    seen_text TEXT NOT NULL,
    verdict TEXT NOT NULL CHECK (verdict IN ('pass', 'inconclusive', 'fail', 'error')),
    reason TEXT NOT NULL,
    decided_at_us INTEGER,
    vacuous INTEGER NOT NULL,
    unit TEXT,
    margin INTEGER,
    seen INTEGER,
    uncertainty INTEGER,
    model_error INTEGER,
    coverage_hundredths INTEGER NOT NULL,
    PRIMARY KEY (run, expectation)
) STRICT, WITHOUT ROWID;
CREATE TABLE finding_hazard (
    run INTEGER NOT NULL, expectation INTEGER NOT NULL, place INTEGER NOT NULL, hazard TEXT NOT NULL,
    PRIMARY KEY (run, expectation, place)
) STRICT, WITHOUT ROWID;
CREATE TABLE remark (
    run INTEGER NOT NULL, place INTEGER NOT NULL, text TEXT NOT NULL, PRIMARY KEY (run, place)
) STRICT, WITHOUT ROWID;
CREATE TABLE heat_work (
    run INTEGER NOT NULL, place INTEGER NOT NULL, zone TEXT NOT NULL,
    peak_millicelsius INTEGER NOT NULL, millicelsius_per_hour INTEGER,
    PRIMARY KEY (run, place)
) STRICT, WITHOUT ROWID;
CREATE TABLE event (
    run INTEGER NOT NULL,
    place INTEGER NOT NULL,
    at_us INTEGER NOT NULL,
    kind TEXT NOT NULL,
    text TEXT,
    uncertainty_us INTEGER,
    expectation INTEGER,
    verdict TEXT,
    reason TEXT,
    detail TEXT,
    edges_before INTEGER NOT NULL,
    levels_until_us INTEGER,
    PRIMARY KEY (run, place)
) STRICT, WITHOUT ROWID;
CREATE TABLE edges (
    run INTEGER NOT NULL,
    first INTEGER NOT NULL,
    count INTEGER NOT NULL,
    list TEXT NOT NULL,
    PRIMARY KEY (run, first)
) STRICT, WITHOUT ROWID;
CREATE TABLE samples (
    run INTEGER NOT NULL,
    signal INTEGER NOT NULL,
    part INTEGER NOT NULL,
    from_us INTEGER NOT NULL,
    until_us INTEGER NOT NULL,
    count INTEGER NOT NULL,
    unobserved INTEGER NOT NULL,
    least INTEGER,
    greatest INTEGER,
    data BLOB NOT NULL,
    PRIMARY KEY (run, signal, part)
) STRICT;
CREATE TABLE note (
    place INTEGER PRIMARY KEY,
    at TEXT NOT NULL,
    run INTEGER,
    kind TEXT NOT NULL,
    text TEXT NOT NULL
) STRICT;
CREATE TABLE log (
    place INTEGER PRIMARY KEY,
    at TEXT NOT NULL,
    run INTEGER,
    level TEXT NOT NULL,
    text TEXT NOT NULL
) STRICT;
CREATE VIEW edge AS
    SELECT edges.run AS run, edges.first + one.key AS place, one.value ->> 0 AS at_us,
           signal.name AS signal, one.value ->> 2 AS \"on\"
    FROM edges, json_each(edges.list) AS one
    JOIN signal ON signal.run = edges.run AND signal.signal = one.value ->> 1;
CREATE VIEW moment AS SELECT run, at_us, text AS name, uncertainty_us FROM event WHERE kind = 'moment';
CREATE VIEW stimulus AS SELECT run, at_us, text FROM event WHERE kind = 'stimulus';
CREATE VIEW console AS SELECT run, at_us, text AS line FROM event WHERE kind = 'console';
";

/// What belongs to one run alone; taken out when the run starts again.
pub(crate) const RUN_TABLES: [&str; 7] =
    ["finding", "finding_hazard", "remark", "heat_work", "event", "edges", "samples"];
