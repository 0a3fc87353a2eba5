-- The tables of a ledger. Times are ns, steps, identifiers and grounds are named by number. Rows that belong to a
-- judgement lie in the order of judgements, save delays: the fleet is compared step by step, so that each step's lie side
-- by side. A text that is none (from the name of a file) goes in as bytes, so that no column of texts has a type.
--
--   ground      what a judgement rests on: hash over expectations, definitions, channels and the program's own files
--   standard    the ground that each group of vehicles is checked on now, judgements on others are kept, not reported
--   capture     a file or object: where it lies, whose it is, when it was recorded, and its judgement
--   judgement   what came of one content on one ground
--   handshake, delay, finding, traffic
--               what was found, each row with its place in the list that it came from
--   step        a step of a sequence with its limits, once
--   identifier  an identifier on a channel, once
--   anomaly     what stood out when the fleet was last compared
--
-- A capture that holds the same frames as another of the same vehicle, or the same bytes, has copy = 1, and counts
-- nowhere: frames_hash tells frames from one another, whatever the bytes of the file.

CREATE TABLE meta (name TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE ground (id INTEGER PRIMARY KEY, text NOT NULL UNIQUE);
CREATE TABLE standard (grouping NOT NULL PRIMARY KEY, ground INTEGER NOT NULL) WITHOUT ROWID;
CREATE TABLE step (
    id INTEGER PRIMARY KEY, rule NOT NULL, step NOT NULL, least_ns INTEGER, most_ns INTEGER
);
CREATE TABLE identifier (
    id INTEGER PRIMARY KEY, channel NOT NULL, can_id INTEGER NOT NULL, is_extended INTEGER NOT NULL
);
CREATE TABLE capture (
    id INTEGER PRIMARY KEY,
    address NOT NULL UNIQUE,
    vehicle NOT NULL,
    grouping NOT NULL,
    recorded_ns INTEGER,
    is_named INTEGER NOT NULL,
    size INTEGER,
    stamp TEXT NOT NULL,
    judgement INTEGER NOT NULL,
    copy INTEGER NOT NULL DEFAULT 0
);
CREATE INDEX capture_by_vehicle ON capture (vehicle, recorded_ns);
CREATE INDEX capture_by_judgement ON capture (judgement, vehicle);
CREATE TABLE judgement (
    id INTEGER PRIMARY KEY,
    content,
    frames_hash,
    ground INTEGER NOT NULL,
    verdict TEXT,
    trouble TEXT,
    met INTEGER NOT NULL,
    faults INTEGER NOT NULL,
    undecided INTEGER NOT NULL,
    handshakes INTEGER NOT NULL,
    frames INTEGER NOT NULL,
    skipped_lines INTEGER NOT NULL,
    duration_ns INTEGER NOT NULL,
    clock_start_ns INTEGER,
    unexercised TEXT NOT NULL,
    seconds REAL NOT NULL,
    summary NOT NULL,
    UNIQUE (content, ground)
);
CREATE INDEX judgement_by_frames ON judgement (frames_hash, ground) WHERE frames_hash IS NOT NULL;
CREATE TABLE handshake (
    judgement INTEGER NOT NULL, place INTEGER NOT NULL,
    rule NOT NULL, number INTEGER NOT NULL, start_earliest_ns INTEGER NOT NULL, start_latest_ns INTEGER,
    end_ns INTEGER NOT NULL, completed INTEGER NOT NULL, abandoned NOT NULL, tries INTEGER NOT NULL,
    PRIMARY KEY (judgement, place)
) WITHOUT ROWID;
CREATE TABLE delay (
    step INTEGER NOT NULL, judgement INTEGER NOT NULL, place INTEGER NOT NULL,
    handshake INTEGER NOT NULL, outcome TEXT NOT NULL, time_ns INTEGER, earliest_ns INTEGER NOT NULL,
    latest_ns INTEGER,
    PRIMARY KEY (step, judgement, place)
) WITHOUT ROWID;
CREATE TABLE finding (
    judgement INTEGER NOT NULL, place INTEGER NOT NULL,
    rule NOT NULL, kind TEXT NOT NULL, step, handshake INTEGER, outcome TEXT NOT NULL, reason NOT NULL,
    time_ns INTEGER, delay_earliest REAL, delay_latest REAL, limit_least REAL, limit_most REAL, unit NOT NULL,
    roles TEXT NOT NULL,
    PRIMARY KEY (judgement, place)
) WITHOUT ROWID;
CREATE TABLE traffic (
    judgement INTEGER NOT NULL, place INTEGER NOT NULL,
    identifier INTEGER NOT NULL, frames INTEGER NOT NULL, cycle_ns INTEGER,
    PRIMARY KEY (judgement, place)
) WITHOUT ROWID;
CREATE TABLE anomaly (
    id INTEGER PRIMARY KEY, kind TEXT NOT NULL, vehicle NOT NULL, sentence NOT NULL, p_value REAL, q_value REAL,
    rule NOT NULL, step NOT NULL, address NOT NULL, recorded_ns INTEGER, crossing_ns TEXT, numbers TEXT NOT NULL
);
