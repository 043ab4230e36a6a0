-- The log, schema 3: for years and more machines than one. Gaps with a beginning and an end, the zone of each time,
-- samples given up after a while, and logs that take in other logs.

-- More kinds of event. The link's own: a channel moved, a link lost. The machine's: each spell without samples begins
-- with one kind and ends with another.
CREATE TABLE event_3 (
    id INTEGER PRIMARY KEY,
    time_utc_ms INTEGER NOT NULL,
    kind TEXT NOT NULL CHECK (kind IN (
        'connected', 'disconnected', 'roamed', 'channel-switched',
        'suspended', 'resumed', 'logger-stopped', 'logger-lost', 'logger-started',
        'radio-off', 'radio-on', 'interface-gone', 'interface-back', 'adapter-failed', 'adapter-recovered',
        'clock-set', 'time-zone-changed', 'samples-dropped', 'log-damaged', 'imported', 'merged')),
    source_id INTEGER NOT NULL DEFAULT 1 REFERENCES source (id),
    detail TEXT NOT NULL DEFAULT '{}' CHECK (json_valid(detail))
) STRICT;
INSERT INTO event_3 SELECT id, time_utc_ms, kind, source_id, detail FROM event;
DROP TABLE event;
ALTER TABLE event_3 RENAME TO event;
CREATE INDEX event_by_time ON event (time_utc_ms);

-- The local zone of a source from a moment on, where it is another than its period began with.
CREATE TABLE zone (
    source_id INTEGER NOT NULL REFERENCES source (id),
    from_utc_ms INTEGER NOT NULL,
    time_zone TEXT NOT NULL,                -- IANA name
    PRIMARY KEY (source_id, from_utc_ms)
) STRICT, WITHOUT ROWID;

-- Where a logger's clock was set back: from then on samples are of another pass, counted from 0. See logger/passes.py.
CREATE TABLE pass (
    source_id INTEGER NOT NULL REFERENCES source (id),
    number INTEGER NOT NULL CHECK (number >= 1),  -- modulo 16 it is the last four bits of sample.id
    from_utc_ms INTEGER NOT NULL,           -- the stamp of its first sample
    after_utc_ms INTEGER NOT NULL,          -- the stamp of the sample taken before that one
    PRIMARY KEY (source_id, number)
) STRICT, WITHOUT ROWID;

-- Samples before this moment were given up to keep the log small. Their blocks stay, and can no longer be folded anew:
-- the timeline is fixed there. See logger/pruning.py.
CREATE TABLE pruned (
    source_id INTEGER PRIMARY KEY REFERENCES source (id),
    before_utc_ms INTEGER NOT NULL
) STRICT;

-- What tells one log from another. A copy of a log has its number, also one that was made before there were numbers:
-- that of an older log is the moments at which it began.
CREATE TABLE identity (log_id TEXT NOT NULL) STRICT;
INSERT INTO identity SELECT CASE
    WHEN EXISTS (SELECT 1 FROM event) OR EXISTS (SELECT 1 FROM edit) THEN printf('%012x%012x%08x',
        ifnull((SELECT time_utc_ms FROM event ORDER BY id LIMIT 1), 0),
        ifnull((SELECT made_at_utc_ms FROM edit ORDER BY id LIMIT 1), 0),
        (SELECT added_at_utc_ms / 1000 FROM source WHERE id = 1))
    ELSE lower(hex(randomblob(16))) END;

-- What the aliases of addresses and network names are made with in whatever is shared: it never leaves the log.
CREATE TABLE alias_key (secret BLOB NOT NULL) STRICT;
INSERT INTO alias_key VALUES (randomblob(32));

-- Where a source was merged from: the log and its number for it there. A source of kind 'logger' other than 1 is
-- another machine's logger.
ALTER TABLE source ADD COLUMN origin_log_id TEXT;
ALTER TABLE source ADD COLUMN origin_source_id INTEGER;
ALTER TABLE source ADD COLUMN origin_as_of_utc_ms INTEGER;  -- the newest that was known of it there
CREATE UNIQUE INDEX source_origin ON source (origin_log_id, origin_source_id) WHERE origin_log_id IS NOT NULL;

-- Which row here stands for which row of a merged log, so that merging it again finds them. The rows of a log that was
-- merged into a merged one stand under the log that they began in. See logger/merging/merge.py.
CREATE TABLE counterpart (
    origin_log_id TEXT NOT NULL,
    what TEXT NOT NULL CHECK (what IN ('location', 'placement', 'version', 'period', 'waiting')),
    origin_id INTEGER NOT NULL,
    id INTEGER NOT NULL,                    -- waiting: the number of the period that new samples wait under
    seen TEXT,                              -- what stood there: an owner's edit here is kept until it changes there
    PRIMARY KEY (origin_log_id, what, origin_id)
) STRICT, WITHOUT ROWID;

-- An answer may also be known by what stands but for periods that are still being written: see dashboards/answers.py.
ALTER TABLE answer ADD COLUMN settled_fingerprint BLOB;
