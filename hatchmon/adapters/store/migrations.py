"""The database's schema, one step after another. A step, once released, is never edited."""

from __future__ import annotations

STEPS: tuple[str, ...] = (
    """
    CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT;
    CREATE TABLE cones (cone TEXT PRIMARY KEY, since_us INTEGER NOT NULL) STRICT;
    CREATE TABLE lots (lot TEXT PRIMARY KEY, since_us INTEGER NOT NULL) STRICT;
    CREATE TABLE streams (
        stream_id INTEGER PRIMARY KEY,
        cone TEXT NOT NULL REFERENCES cones,
        quantity TEXT NOT NULL,
        unit TEXT NOT NULL,
        topic TEXT NOT NULL,  -- empty: taken by hand
        UNIQUE (cone, quantity, unit, topic)
    ) STRICT;
    CREATE TABLE readings (
        seq INTEGER PRIMARY KEY,  -- never used again: the newest row is never deleted
        stream_id INTEGER NOT NULL REFERENCES streams,
        time_us INTEGER NOT NULL,
        raw REAL NOT NULL,  -- as sent, in the unit of the stream
        verdict TEXT NOT NULL,
        dated_by TEXT NOT NULL CHECK (dated_by IN ('receipt', 'probe', 'keeper')),
        delivery INTEGER,  -- tells a message that the broker repeats (of the newest only)
        filed INTEGER NOT NULL DEFAULT 0  -- 1 once in the index below, 2 for the mean of a minute
    ) STRICT;
    -- Kept up to date in bulk: to do so with every reading would write a page for each stream each time.
    CREATE UNIQUE INDEX readings_filed ON readings (stream_id, time_us) WHERE filed > 0;
    CREATE TABLE filing (up_to INTEGER NOT NULL) STRICT;  -- every reading up to this seq is filed
    INSERT INTO filing VALUES (0);
    CREATE VIEW by_stream AS  -- to be asked for one stream: both halves are quick
        SELECT seq, stream_id, time_us, raw, verdict FROM readings WHERE filed > 0
        UNION ALL SELECT seq, stream_id, time_us, raw, verdict FROM readings
        WHERE filed = 0 AND seq > (SELECT up_to FROM filing);
    CREATE TABLE rejected (
        rejected_id INTEGER PRIMARY KEY AUTOINCREMENT,
        time_us INTEGER NOT NULL,
        topic TEXT NOT NULL,
        payload BLOB NOT NULL,
        reason TEXT NOT NULL
    ) STRICT;
    CREATE TABLE deliveries (  -- of messages that became no reading
        number INTEGER PRIMARY KEY, delivery INTEGER NOT NULL
    ) STRICT;
    CREATE TABLE batches (
        batch_id INTEGER PRIMARY KEY AUTOINCREMENT,  -- no number serves twice
        cone TEXT NOT NULL REFERENCES cones,
        lot TEXT NOT NULL REFERENCES lots,
        started_us INTEGER NOT NULL,
        dated_by TEXT NOT NULL CHECK (dated_by IN ('receipt', 'keeper')),
        grams REAL NOT NULL,
        litres REAL,
        set_point_c REAL,
        salinity REAL,
        ended_us INTEGER,
        outcome TEXT CHECK (outcome IN ('harvested', 'discarded')),
        cold_c REAL,  -- the cold store that the harvest went into
        used_up_us INTEGER,  -- when the last of it was fed
        CHECK ((ended_us IS NULL) = (outcome IS NULL))
    ) STRICT;
    CREATE UNIQUE INDEX one_running_batch ON batches (cone) WHERE ended_us IS NULL;
    CREATE TABLE notebook (  -- finished batches that come from a keeper's notebook, and their water
        batch_id INTEGER PRIMARY KEY REFERENCES batches,
        temp_c REAL NOT NULL,
        doubt_c REAL NOT NULL
    ) STRICT;
    CREATE TABLE looks (
        look_id INTEGER PRIMARY KEY AUTOINCREMENT,
        batch_id INTEGER NOT NULL REFERENCES batches,
        time_us INTEGER NOT NULL,
        dated_by TEXT NOT NULL CHECK (dated_by IN ('receipt', 'keeper')),
        seen TEXT NOT NULL
    ) STRICT;
    CREATE TABLE counts (
        count_id INTEGER PRIMARY KEY AUTOINCREMENT,
        batch_id INTEGER NOT NULL REFERENCES batches,
        time_us INTEGER NOT NULL,
        dated_by TEXT NOT NULL CHECK (dated_by IN ('receipt', 'keeper')),
        sample_ml REAL NOT NULL,
        litres REAL,
        nauplii TEXT NOT NULL,  -- JSON: a number for each sample
        umbrella TEXT NOT NULL,  -- the same, empty where not counted
        unhatched TEXT NOT NULL
    ) STRICT;
    CREATE INDEX looks_of_batch ON looks (batch_id);
    CREATE INDEX counts_of_batch ON counts (batch_id);
    CREATE TABLE evidence (  -- what a finished batch teaches, made anew on every edit
        batch_id INTEGER PRIMARY KEY REFERENCES batches,
        body TEXT NOT NULL  -- JSON, or null where there is nothing to learn from
    ) STRICT;
    CREATE TABLE forecasts (
        forecast_id INTEGER PRIMARY KEY AUTOINCREMENT,
        batch_id INTEGER NOT NULL REFERENCES batches,
        issued_us INTEGER NOT NULL,
        body TEXT NOT NULL  -- JSON of the Forecast, hours from the start
    ) STRICT;
    CREATE INDEX forecasts_of_batch ON forecasts (batch_id, issued_us);
    CREATE TABLE standings (
        kind TEXT NOT NULL, scope TEXT NOT NULL, raised_us INTEGER, last_us INTEGER,
        PRIMARY KEY (kind, scope)
    ) STRICT;
    CREATE TABLE alerts (
        alert_id INTEGER PRIMARY KEY AUTOINCREMENT,
        kind TEXT NOT NULL, scope TEXT NOT NULL, cone TEXT, urgency TEXT NOT NULL,
        title TEXT NOT NULL, body TEXT NOT NULL, raised_us INTEGER NOT NULL,
        seen_us INTEGER, seen_by TEXT,  -- when and by whom the keeper's answer came
        second_us INTEGER  -- when somebody else was told, because no answer had come
    ) STRICT;
    CREATE INDEX alerts_in_time ON alerts (raised_us);
    CREATE INDEX alerts_of_scope ON alerts (scope);
    CREATE TABLE letters (  -- one alert to one address: the outbox of the push
        letter_id INTEGER PRIMARY KEY,
        alert_id INTEGER NOT NULL REFERENCES alerts,
        address INTEGER NOT NULL,
        not_before_us INTEGER NOT NULL,
        state TEXT NOT NULL CHECK (state IN ('due', 'sent', 'overtaken', 'given up')),
        key TEXT NOT NULL DEFAULT (lower(hex(randomblob(8)))),  -- the same at every attempt
        in_doubt INTEGER NOT NULL DEFAULT 0,  -- an attempt was begun and may have been the one
        attempts INTEGER NOT NULL DEFAULT 0,
        last_error TEXT
    ) STRICT;
    CREATE INDEX letters_due ON letters (letter_id) WHERE state = 'due';
    CREATE TABLE broods (
        brood TEXT PRIMARY KEY,
        fry INTEGER NOT NULL,
        swam TEXT NOT NULL,  -- the local day they began to swim freely
        mouth TEXT NOT NULL CHECK (mouth IN ('tiny', 'small', 'large')),
        ramp TEXT,  -- null: that of its mouths
        loss_per_day REAL NOT NULL,  -- share of those left
        ends TEXT  -- the first local day without nauplii
    ) STRICT;
    CREATE TABLE stock (  -- what is left of a lot: grams at a time, less what was begun since
        lot TEXT PRIMARY KEY REFERENCES lots,
        grams REAL NOT NULL,
        weighed_us INTEGER NOT NULL,
        opened TEXT,  -- the local day the tin was opened
        price_per_kg REAL
    ) STRICT;
    CREATE TABLE plans (
        plan_id INTEGER PRIMARY KEY AUTOINCREMENT,
        made_us INTEGER NOT NULL,
        body TEXT NOT NULL  -- JSON
    ) STRICT;
    CREATE TABLE requests (
        request_id INTEGER PRIMARY KEY AUTOINCREMENT,
        made_us INTEGER NOT NULL,
        by TEXT NOT NULL,
        body TEXT NOT NULL,
        done_us INTEGER, ok INTEGER, answer TEXT,
        answer_to TEXT,  -- the topic that waits for the answer, where it was asked over MQTT
        ref TEXT  -- what the sender calls it
    ) STRICT;
    CREATE INDEX requests_by_ref ON requests (ref) WHERE ref IS NOT NULL;
    CREATE INDEX requests_in_time ON requests (made_us);
    CREATE INDEX requests_open ON requests (request_id) WHERE done_us IS NULL;
    CREATE TABLE series_refused (
        feed TEXT NOT NULL, seq INTEGER NOT NULL, line TEXT NOT NULL, reason TEXT NOT NULL,
        PRIMARY KEY (feed, seq)
    ) STRICT;
    CREATE TABLE batch_changes (  -- the outbox of batches for the series store
        change_id INTEGER PRIMARY KEY AUTOINCREMENT,
        batch_id INTEGER NOT NULL,
        time_us INTEGER,  -- null until the writer has dated it, in the same transaction
        cone TEXT, lot TEXT, started_us INTEGER  -- of a batch that was taken back
    ) STRICT;
    CREATE INDEX undated_changes ON batch_changes (change_id) WHERE time_us IS NULL;
    CREATE TRIGGER batch_made AFTER INSERT ON batches
        BEGIN INSERT INTO batch_changes (batch_id) VALUES (new.batch_id); END;
    CREATE TRIGGER batch_changed AFTER UPDATE ON batches
        BEGIN INSERT INTO batch_changes (batch_id) VALUES (new.batch_id); END;
    CREATE TRIGGER batch_dropped AFTER DELETE ON batches BEGIN
        INSERT INTO batch_changes (batch_id, cone, lot, started_us)
        VALUES (old.batch_id, old.cone, old.lot, old.started_us); END;
    CREATE TRIGGER look_noted AFTER INSERT ON looks
        BEGIN INSERT INTO batch_changes (batch_id) VALUES (new.batch_id); END;
    CREATE TRIGGER look_dropped AFTER DELETE ON looks
        BEGIN INSERT INTO batch_changes (batch_id) VALUES (old.batch_id); END;
    CREATE TRIGGER count_noted AFTER INSERT ON counts
        BEGIN INSERT INTO batch_changes (batch_id) VALUES (new.batch_id); END;
    CREATE TRIGGER count_dropped AFTER DELETE ON counts
        BEGIN INSERT INTO batch_changes (batch_id) VALUES (old.batch_id); END;
    """,
)
