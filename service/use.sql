-- name: take_turn
-- One process at a time reads on; another that finds it taken leaves it.
SELECT pg_try_advisory_xact_lock(2, 7) AS taken;

-- name: tails
-- Logs that have something new, and how far they have been read. Positions are dense and committed in order.
SELECT log.log, log.position AS newest, coalesce(tail.position, 0) AS after,
       coalesce(tail.recorded, '-infinity') AS since
FROM ledger.log
LEFT JOIN derived.use_tail AS tail ON tail.log = log.log
WHERE log.position > coalesce(tail.position, 0)
ORDER BY log.log;

-- name: read_on
-- A stretch of one log: of each spindle and hour the last reading that was believed, whose subjects have news, and how
-- far it was read, in one statement. Read twice it changes nothing; what comes late finds its own hour.
WITH came AS (
    SELECT entry.subject, entry.occurred, entry.recorded,
           CASE WHEN (entry.data ->> 'count')::numeric = entry.reading AND entry.type <> ALL (:fresh::text[])
                THEN entry.reading END AS reading,
           entry.type = ANY (:fresh::text[]) OR entry.type IN ('spindle.removed', 'spindle.retired') AS changed,
           entry.type IN ('entry.corrected', 'entry.voided') AS amended
    FROM ledger.entry
    WHERE entry.log = :log::smallint AND entry.position > :after::bigint AND entry.position <= :upto::bigint
    UNION ALL
    SELECT reading.subject, reading.occurred, reading.recorded, reading.reading, false, false
    FROM ledger.reading
    WHERE reading.log = :log::smallint AND reading.position > :after::bigint AND reading.position <= :upto::bigint
      AND reading.recorded >= :since::timestamptz
), hours AS (
    INSERT INTO derived.use_hour (subject, hour, at, reading)
    SELECT DISTINCT ON (subject, hour) subject, hour, occurred, reading
    FROM (
        SELECT subject, floor(extract(epoch FROM occurred) / 3600)::integer AS hour, occurred, reading
        FROM came
        WHERE reading IS NOT NULL
    ) AS read
    ORDER BY subject, hour, occurred DESC, reading DESC
    ON CONFLICT (subject, hour) DO UPDATE SET at = excluded.at, reading = excluded.reading
        WHERE (excluded.at, excluded.reading) > (use_hour.at, use_hour.reading)
), stale AS (
    INSERT INTO derived.use_stale (subject, changed, amended)
    SELECT came.subject, bool_or(came.changed), bool_or(came.amended)
    FROM came
    JOIN ledger.subject ON subject.subject = came.subject AND subject.kind = 'spindles'
    GROUP BY came.subject
    ORDER BY came.subject
    ON CONFLICT (subject) DO UPDATE
    SET changed = use_stale.changed OR excluded.changed, amended = use_stale.amended OR excluded.amended
)
INSERT INTO derived.use_tail (log, position, recorded)
SELECT :log::smallint, :upto::bigint, max(came.recorded) FROM came
ON CONFLICT (log) DO UPDATE SET position = excluded.position, recorded = excluded.recorded;

-- name: hours
-- Time (milliseconds since 1970) and reading of each hour, packed: thousands of rows a spindle would be slow to decode.
SELECT subject,
       string_agg(int8send((extract(epoch FROM at) * 1000)::bigint) || int8send(reading), ''::bytea ORDER BY hour)
           AS packed
FROM derived.use_hour
WHERE subject = ANY (:subjects::integer[]) AND hour >= :since::integer AND at <= :until::timestamptz
GROUP BY subject;

-- name: not_read_yet
-- What a spindle's stream has beyond where its log was read to: the last believed reading of each hour.
SELECT DISTINCT ON (hour) hour, occurred, reading
FROM (
    SELECT floor(extract(epoch FROM came.occurred) / 3600)::integer AS hour, came.occurred, came.reading
    FROM ledger.subject
    LEFT JOIN derived.use_tail AS tail ON tail.log = subject.log
    CROSS JOIN LATERAL (
        SELECT entry.occurred, entry.reading
        FROM ledger.entry
        WHERE entry.subject = subject.subject AND entry.log = subject.log
          AND entry.position > coalesce(tail.position, 0)
          AND (entry.data ->> 'count')::numeric = entry.reading AND entry.type <> ALL (:fresh::text[])
        UNION ALL
        SELECT reading.occurred, reading.reading
        FROM ledger.reading
        WHERE reading.subject = subject.subject AND reading.position > coalesce(tail.position, 0)
          AND reading.recorded >= coalesce(tail.recorded, '-infinity')
          AND reading.sequence <> ALL (:gone::bigint[])
    ) AS came
    WHERE subject.subject = :subject::integer AND came.occurred <= :until::timestamptz
) AS read
ORDER BY hour, occurred DESC, reading DESC;

-- name: look_again
-- A spindle to be fitted and foreseen again.
INSERT INTO derived.use_stale (subject, changed, amended)
VALUES (:subject::integer, true, false)
ON CONFLICT (subject) DO UPDATE SET changed = true;

-- name: clear_hours
DELETE FROM derived.use_hour WHERE subject = :subject::integer;

-- name: hours_of_ledger
-- The hours of one spindle as the ledger has them: plain readings that stand, and what its facts that stand have read.
SELECT DISTINCT ON (hour) hour, occurred AS at, reading
FROM (
    SELECT floor(extract(epoch FROM occurred) / 3600)::integer AS hour, occurred, reading
    FROM (
        SELECT occurred, reading
        FROM ledger.reading
        WHERE subject = :subject::integer AND sequence <> ALL (:gone::bigint[])
        UNION ALL
        SELECT * FROM unnest(:times::timestamptz[], :readings::bigint[])
    ) AS stands (occurred, reading)
) AS read
ORDER BY hour, occurred DESC, reading DESC;

-- name: write_hours
INSERT INTO derived.use_hour (subject, hour, at, reading)
SELECT :subject::integer, * FROM unnest(:hours::integer[], :times::timestamptz[], :readings::bigint[]);

-- name: has_news
-- Whether a spindle's stream goes beyond where its log was read to, or what was read waits to be looked at.
SELECT EXISTS (SELECT FROM derived.use_stale WHERE use_stale.subject = subject.subject)
       OR EXISTS (SELECT FROM ledger.entry
                  WHERE entry.log = subject.log AND entry.subject = subject.subject
                    AND entry.position > coalesce(tail.position, 0))
       OR EXISTS (SELECT FROM ledger.reading
                  WHERE reading.log = subject.log AND reading.subject = subject.subject
                    AND reading.position > coalesce(tail.position, 0)
                    AND reading.recorded >= coalesce(tail.recorded, '-infinity')) AS news
FROM ledger.subject
LEFT JOIN derived.use_tail AS tail ON tail.log = subject.log
WHERE subject.subject = :subject::integer;

-- name: exchanges
-- The facts of some spindles that may put another counter in place.
SELECT subject, sequence, occurred, type, schema, data, reading
FROM ledger.entry
WHERE subject = ANY (:subjects::integer[]) AND type = ANY (:types::text[]) AND occurred <= :until::timestamptz
ORDER BY subject, occurred, sequence;

-- name: amended
-- Which of some spindles have entries that speak of others.
SELECT DISTINCT subject
FROM ledger.entry
WHERE subject = ANY (:subjects::integer[]) AND type IN ('entry.corrected', 'entry.voided');

-- name: stale
-- Spindles with news, each for one process.
SELECT subject, changed, amended
FROM derived.use_stale
ORDER BY subject
LIMIT :limit::integer
FOR UPDATE SKIP LOCKED;

-- name: seen
DELETE FROM derived.use_stale WHERE subject = ANY (:subjects::integer[]);

-- name: spindles
-- What forecasts of some spindles begin from.
SELECT spindle.subject, spindle.plant, spindle.hall, spindle.machine, spindle.sheet, spindle.lifecycle, counter.count,
       counter.read_at, fit.through, fit.zones, fit.body
FROM derived.spindle
JOIN derived.counter ON counter.subject = spindle.subject
LEFT JOIN derived.use_fit AS fit ON fit.subject = spindle.subject
WHERE spindle.subject = ANY (:subjects::integer[])
ORDER BY spindle.subject;

-- name: states
-- The folded states of some spindles, where they were installed.
SELECT subject, folded FROM derived.spindle WHERE subject = ANY (:subjects::integer[]) AND fold = :fold::smallint;

-- name: waiting
-- Episodes that are not due yet.
SELECT episode, subject, due_at, due_count
FROM derived.recheck
WHERE subject = ANY (:subjects::integer[]) AND state IN ('waiting', 'open')
  AND (due_at IS NOT NULL OR due_count IS NOT NULL);

-- name: write_fits
INSERT INTO derived.use_fit (subject, through, zones, body)
SELECT * FROM unnest(:subjects::integer[], :throughs::timestamptz[], :zones::text[], :bodies::json[])
ON CONFLICT (subject) DO UPDATE SET through = excluded.through, zones = excluded.zones, body = excluded.body;

-- name: fits_of_plant
-- What is fitted to a plant's spindles, with where they are.
SELECT fit.subject, fit.body, spindle.hall, spindle.machine, spindle.sheet
FROM derived.use_fit AS fit
JOIN derived.spindle ON spindle.subject = fit.subject
WHERE spindle.plant = :plant::text AND spindle.lifecycle = 'installed';

-- name: clear_expected
DELETE FROM derived.expected WHERE subject = ANY (:subjects::integer[]) AND episode <> ALL (:kept::text[]);

-- name: write_expected
INSERT INTO derived.expected (episode, subject, median, p80_from, p80_to, p95_from, p95_to)
SELECT * FROM unnest(
    :episodes::text[], :subjects::integer[], :medians::timestamptz[], :p80_froms::timestamptz[],
    :p80_tos::timestamptz[], :p95_froms::timestamptz[], :p95_tos::timestamptz[])
ON CONFLICT (episode) DO UPDATE
SET subject = excluded.subject, median = excluded.median, p80_from = excluded.p80_from, p80_to = excluded.p80_to,
    p95_from = excluded.p95_from, p95_to = excluded.p95_to;

-- name: companions
-- Other spindles of a plant that are most like one: of its machine, then of its hall and sheet, its hall, its sheet.
SELECT subject, hall, machine, sheet
FROM derived.spindle
WHERE plant = :plant::text AND lifecycle = 'installed' AND subject <> :subject::integer
ORDER BY coalesce(machine = :machine::text, false) DESC,
         (coalesce(hall = :hall::text, false) AND sheet = :sheet::text) DESC, coalesce(hall = :hall::text, false) DESC, sheet = :sheet::text DESC, subject
LIMIT :limit::integer;
