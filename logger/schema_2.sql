-- The log, schema 2: what was found stays in the log beside what was measured. The tables answer and finding may be
-- emptied at any time: nothing in them cannot be worked out again. The table block_writes may not.

-- What was worked out from blocks, so that it need not be worked out again until they change.
CREATE TABLE answer (
    question TEXT PRIMARY KEY CHECK (json_valid(question)),  -- what was asked: canonical JSON
    fingerprint BLOB NOT NULL,              -- of the blocks, the method and its settings
    answer TEXT NOT NULL CHECK (json_valid(answer)),
    found_at_utc_ms INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

-- How often the blocks of each period were written, by whomever: while it stands, no block has changed. It outlives its
-- period, for an undone edit brings the period back under its id. A period whose blocks are older than this schema has
-- none until they change.
CREATE TABLE block_writes (
    period_id INTEGER PRIMARY KEY,
    n_writes INTEGER NOT NULL
) STRICT;
CREATE TRIGGER block_inserted AFTER INSERT ON block BEGIN
    INSERT INTO block_writes VALUES (new.period_id, 1) ON CONFLICT (period_id) DO UPDATE SET n_writes = n_writes + 1;
END;
CREATE TRIGGER block_updated AFTER UPDATE ON block BEGIN
    INSERT INTO block_writes VALUES (old.period_id, 1) ON CONFLICT (period_id) DO UPDATE SET n_writes = n_writes + 1;
    INSERT INTO block_writes VALUES (new.period_id, 1) ON CONFLICT (period_id) DO UPDATE SET n_writes = n_writes + 1;
END;
CREATE TRIGGER block_deleted AFTER DELETE ON block BEGIN
    INSERT INTO block_writes VALUES (old.period_id, 1) ON CONFLICT (period_id) DO UPDATE SET n_writes = n_writes + 1;
END;

-- What the log has come to say: a verdict, a change that nobody wrote down, how far the running trial is.
CREATE TABLE finding (
    id INTEGER PRIMARY KEY,
    kind TEXT NOT NULL CHECK (kind IN ('verdict', 'unexplained', 'progress')),
    key TEXT NOT NULL,                      -- what it is about: the same again replaces it
    found_at_utc_ms INTEGER NOT NULL,
    words TEXT NOT NULL,                    -- one sentence for people
    detail TEXT NOT NULL CHECK (json_valid(detail)),
    said_at_utc_ms INTEGER,                 -- NULL: the daemon has not told it yet
    UNIQUE (kind, key)
) STRICT;
