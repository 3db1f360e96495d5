-- The newest number of each order domain. A row is locked from the moment it gives a number until that is committed, so
-- whoever sees a number sees everything numbered before it in that log. Numbers are microseconds of the clock, or one
-- more than the last: a table that was emptied, or a backup that was restored, never gives one out again.
CREATE TABLE derived.change (
    log     smallint PRIMARY KEY,
    written bigint   NOT NULL,                         -- of the newest state that was written
    changed bigint   NOT NULL                          -- of the newest that changed what a list by health shows
) WITH (fillfactor = 50);

ALTER TABLE derived.spindle
    ADD COLUMN log     smallint NOT NULL DEFAULT 0,    -- its order domain, as in ledger.subject
    ADD COLUMN reasons text[]   NOT NULL DEFAULT '{}', -- their codes, worst first, one for each reason
    ADD COLUMN changed bigint   NOT NULL DEFAULT 0,    -- the number under which what a list shows last changed
    ADD COLUMN moved   bigint   NOT NULL DEFAULT 0;    -- the same of its plant

-- The reasons of a state that was stored before are not in a column yet: it is looked at again, by whoever comes first.
UPDATE derived.spindle
SET log = numbered.log, changed = numbered.number, next_look = now()
FROM (SELECT spindle.subject, subject.log, row_number() OVER (PARTITION BY subject.log ORDER BY subject) AS number
      FROM derived.spindle JOIN ledger.subject USING (subject)) AS numbered
WHERE spindle.subject = numbered.subject;
INSERT INTO derived.change (log, written, changed)
SELECT log, max(changed), max(changed) FROM derived.spindle GROUP BY log;

ALTER TABLE derived.spindle ALTER COLUMN log DROP DEFAULT, ALTER COLUMN reasons DROP DEFAULT,
    ALTER COLUMN changed DROP DEFAULT, ALTER COLUMN moved DROP DEFAULT;
CREATE INDEX spindle_by_change ON derived.spindle (log, changed);
